"""The SQLite history: one writer, read-only queries, backup, and the CSV recording.

May import: config, clock, model, units, errors. Not here: deciding anything about a joint.
"""
