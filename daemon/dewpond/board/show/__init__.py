"""What each page says, worked out by pure functions from the published view and the records."""
