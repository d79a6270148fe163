"""Writes the alerts' state table and diagram into DEVELOPERS.md, from the table that the watch runs by.

Run it after a change of `alert_table`: python tests/alert_diagram.py
"""

import sys
from pathlib import Path

DEVELOPERS = Path(__file__).parent.parent / "DEVELOPERS.md"
BEGIN, END = "<!-- alert table: tests/alert_diagram.py -->", "<!-- end of alert table -->"


def drawn() -> str:
    """What stands between the marks."""
    from lugwatch import alert_table

    return f"{alert_table.as_table()}\n\n```mermaid\n{alert_table.as_diagram()}\n```"


def standing(text: str) -> str:
    """What stands between the marks of this text."""
    return text.split(BEGIN)[1].split(END)[0].strip()


if __name__ == "__main__":
    sys.path.insert(0, str(DEVELOPERS.parent / "daemon"))
    text = DEVELOPERS.read_text(encoding="utf-8")
    before, after = text.split(BEGIN)[0], text.split(END)[1]
    DEVELOPERS.write_text(f"{before}{BEGIN}\n\n{drawn()}\n\n{END}{after}", encoding="utf-8")
