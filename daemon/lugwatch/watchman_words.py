"""What is said of the watch itself: a part of it hangs, nobody can be reached. Sentences for a tired skipper.

Not here: how it is noticed (`attendance`), joints (`advice`). May import: units.
"""

from collections.abc import Sequence

from lugwatch.units import format_duration

_RESTART = "If it does not come back, switch the computer off and on again."


def stalled(worker: str, source: str | None, silent_seconds: float) -> tuple[str, str]:
    """Text and advice of a part that hangs; source: the bus, if it is one that is read."""
    silent = format_duration(silent_seconds)
    if source is not None:
        return (
            f"Reading {source} has hung for {silent}: what is read from it is not watched.",
            "The bus or its port is stuck. Unplug that bus or its adapter for ten seconds and plug it in "
            f"again; look for a short or water on its line. {_RESTART}",
        )
    return (
        f"A part of lugwatch itself ({worker}) has hung for {silent}.",
        f"Joints may not be watched or told of meanwhile: look at them yourself. {_RESTART}",
    )


def unheard_at_all(ways: Sequence[str], seconds: float) -> tuple[str, str]:
    """Text and advice when every way out fails; ways: each in words, with what is wrong."""
    return (
        f"No alert can leave: for {format_duration(seconds)} none of the ways out has worked "
        f"({'; '.join(ways)}).",
        "Until one works again, only this page and the command line tell of alerts: keep the page open. "
        "Look at the network and the broker first, then try each way with `lugwatch try-alerts`.",
    )


def unheard_by(way: str, words: str, seconds: float) -> tuple[str, str]:
    """Text and advice of one way on board that fails; the others work."""
    return (
        f"{way[:1].upper()}{way[1:]}: not working for {format_duration(seconds)} ({words}). "
        "No alert is told there.",
        f"Look at its plug, cable and supply, then try it with `lugwatch try-alerts`. {_RESTART}",
    )
