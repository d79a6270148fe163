"""The page: a process of its own that reads the database and may crash, restart or be absent."""
