"""Numbered revisions, each made once and never changed afterwards."""
