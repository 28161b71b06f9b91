"""Weather: season folders, reference ET by pyet in a child process, live feeds, saved answers of forecast services."""
