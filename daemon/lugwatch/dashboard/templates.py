"""The built page on disk: where it lies, and its templates with their words put in.

Made by `web/build_hook.py`, for the page and for sheets to print. May import: texts, errors.
"""

from pathlib import Path

import jinja2

from lugwatch.dashboard.texts import Texts
from lugwatch.errors import OperationFailed

BUILT = Path(__file__).parent / "built"


def stamp(built: Path) -> str:
    """What the page was built from, in twelve letters. Raises OperationFailed if it never was."""
    file = built / "stamp.txt"
    if not file.is_file():
        raise OperationFailed(
            "the page is not built; install lugwatch with pip, or run `python web/build_hook.py`"
        )
    return file.read_text(encoding="ascii")[:12]


def environment(built: Path, language: str) -> jinja2.Environment:
    """Templates that escape whatever is put into them, and fail on what is not there."""
    texts = Texts.read(built / "texts", language)
    made = jinja2.Environment(
        loader=jinja2.FileSystemLoader(built / "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.globals |= {"t": texts, "word": texts.word}
    return made
