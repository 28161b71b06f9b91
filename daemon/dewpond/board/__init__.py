"""Web pages and HTTP API over the published view. Nothing here is imported while the board is off."""
