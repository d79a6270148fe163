"""Sheets to keep or hand over: one HTML file each, without script and without anything from elsewhere.

The page serves and the command writes what is made here, so both are the same. The style stands inside the
file; `policy` lets a browser take this style and nothing else. May import: the rooms of the dashboard,
store, errors, units.
"""

import base64
import hashlib
from dataclasses import dataclass
from pathlib import Path

import jinja2
from markupsafe import Markup

from lugwatch import __version__
from lugwatch.dashboard import record_view, templates
from lugwatch.dashboard.look import Look
from lugwatch.dashboard.reading import is_absent
from lugwatch.json_shapes import JsonObject
from lugwatch.store.queries import History
from lugwatch.units import format_time

# what a picture of the journal begins with on a sheet; no other picture is ever on one
_PICTURE = 'src="data:image/jpeg;base64,'
# text that is placed inside <style> must not end it
_ENDS_STYLE = "</"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheets:
    """Makes sheets of one database, with the templates and the style of the built page."""

    look: Look
    environment: jinja2.Environment
    style: str

    @classmethod
    def of(cls, look: Look, built: Path = templates.BUILT, language: str = "en") -> "Sheets":
        """Raises OperationFailed if the page was never built."""
        templates.stamp(built)
        style = (built / "record.css").read_text(encoding="utf-8").strip()
        assert _ENDS_STYLE not in style
        return cls(look=look, environment=templates.environment(built, language), style=style)

    def joint(self, joint: str) -> str | None:
        """The sheet of a joint; None if there is no such joint. Raises UserError for an unreadable file."""
        if is_absent(self.look.database):
            return None
        with History.open(self.look.database) as history:
            found = record_view.joint_record(history, joint, self.look.stacks.get(joint))
        return None if found is None else self._made("record_joint", found)

    def passage(self, passage_id: int) -> str | None:
        """The sheet of a passage; None if there is no such passage. Raises UserError as `joint`."""
        found = record_view.passage_record(self.look, passage_id)
        return None if found is None else self._made("record_passage", found)

    def boat(self) -> str | None:
        """The sheet of the whole boat; None while nothing was written. Raises UserError as `joint`."""
        if is_absent(self.look.database):
            return None
        with History.open(self.look.database) as history:
            found = record_view.boat_record(history, self.look.parts)
        return self._made("record_boat", found)

    def winter(self) -> str | None:
        """The plan for the winter; None while nothing was written. Raises UserError as `joint`."""
        found = self.look.winter()
        return None if found is None else self._made("record_winter", found)

    def policy(self, sheet: str) -> str:
        """The Content-Security-Policy of a served sheet (CSP level 3, source expressions by hash).

        A sheet with photos shows what stands inside itself, any other no picture at all.
        """
        pictures = "img-src data:; " if _PICTURE in sheet else ""
        digest = base64.b64encode(hashlib.sha256(self.style.encode()).digest()).decode()
        return (
            f"default-src 'none'; style-src 'sha256-{digest}'; {pictures}base-uri 'none'; "
            "form-action 'none'; frame-ancestors 'none'"
        )

    def _made(self, name: str, record: JsonObject) -> str:
        made = self.environment.get_template(f"{name}.html").render(
            x=record,
            # ours, not the reader's: it holds no markup
            style=Markup(self.style),
            made=format_time(self.look.clock.time() // 1000 * 1000),
            version=__version__,
            format_time=format_time,
        )
        return made + "\n"
