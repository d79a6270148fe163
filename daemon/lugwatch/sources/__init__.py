"""Where readings come from: one file per kind of source, a pure decoder beside each bus.

A source is asked with `poll` and answers with readings and faults; it decides nothing about them.
May import: config, clock, model, units, errors; nothing above.
"""
