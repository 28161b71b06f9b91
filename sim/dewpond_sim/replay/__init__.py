"""Replays a recorded season through the daemon's own brain and loop."""
