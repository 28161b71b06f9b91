"""The calendar of care: what falls due by climate and interval, guided jobs of the season, the log of what was done."""
