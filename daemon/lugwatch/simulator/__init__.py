"""An invented boat that behaves like a real one: for the demo and for the tests.

Not here: anything that judges joints. The simulator shares no physics with the core; if judge and
accused share a model, tests only prove that they agree. May import: errors, units, model, clock.
"""
