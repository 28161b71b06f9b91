"""Commissioning: each zone named by its click, flushed, proved by its runs and cups, and signed off by a person."""
