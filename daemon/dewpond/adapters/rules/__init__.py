"""Rule plug-ins: in a child process of their own in the daemon, at once in a replay."""
