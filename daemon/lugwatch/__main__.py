"""`python -m lugwatch`."""

from lugwatch.cli import main

main()
