"""The journal and the tables people read, on SQLite or PostgreSQL; and the same in memory, for replays.

``sql_store`` writes, ``reader`` and ``journal`` read, ``copies`` makes backups; ``memory_store`` is for replays.
"""
