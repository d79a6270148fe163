"""A joint from bar to nut as a JSON-ready object: what `lugwatch stack` prints and draws, for its page.

Worked out once for each stack, since a configuration holds still while the page runs. May import: stack,
stack_words, stack_drawing.
"""

from functools import lru_cache

from lugwatch import stack_drawing, stack_words
from lugwatch.json_shapes import JsonObject
from lugwatch.stack import Stack


@lru_cache(maxsize=128)
def stack_object(stack: Stack) -> JsonObject:
    """Layers, sentences, advice and the drawing with its numbers."""
    found = stack_words.find(stack)
    title = f"{stack.stud}, {stack_words.amps(stack)}: {stack_words.micro_ohms(found.expected)}"
    return {
        "air_celsius": stack_words.AIR_CELSIUS,
        "parts": stack_drawing.part_names(stack),
        "layers": [
            {"what": what, "kind": kind, "median": median, "carries": carries, "makes": makes}
            for what, kind, median, carries, makes in stack_words.rows(found.expected)
        ],
        "told": stack_words.lines(found),
        "advice": stack_words.advice(stack),
        "drawing": stack_drawing.draw_numbered(stack, title),
    }
