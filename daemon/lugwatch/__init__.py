"""lugwatch: watches the high-current joints of a cruising boat and says early which one is going bad.

The package is a pure core (from `units` up to `pipeline`) and a thin shell around it (`sources`,
`store`, `publishers`, `runner`, `dashboard`, `cli`). DEVELOPERS.md has the layer table.
"""

__version__ = "0.1.0"
