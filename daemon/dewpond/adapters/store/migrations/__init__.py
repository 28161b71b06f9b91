"""The history of the tables. One numbered revision per change in ``versions``; ``tables.HEAD`` names the newest."""
