"""What is typed to a question about the circuit: names between commas, one of several, an order, yes or no.

Understood, or refused in one line that holds no letter which moves a cursor. Not here: what is asked.
May import: errors.
"""

import csv
import io
from collections.abc import Iterable, Sequence

from lugwatch.errors import UserError

NONE = "-"


def listed(said: str) -> list[str]:
    """Names between commas; one that holds a comma stands in quotation marks. Raises UserError."""
    try:
        rows = list(csv.reader([said], skipinitialspace=True, strict=True))
    except csv.Error:
        raise UserError(f"{seen(said)}: a quotation mark is left open or stands within a name") from None
    return [name.strip() for row in rows for name in row if name.strip()]


def commas(names: Iterable[str]) -> str:
    """Names as `listed` takes them."""
    out = io.StringIO()
    csv.writer(out, lineterminator="").writerow(names)
    return out.getvalue().replace(",", ", ") if '"' not in out.getvalue() else out.getvalue()


def chosen(said: str, choices: Sequence[str], what: str) -> str:
    """One of `choices` by its number, name, or beginning that no other has; "" for none. Raises UserError."""
    if said == NONE:
        return ""
    if said.isascii() and said.isdigit() and len(said) < 5 and 1 <= int(said) <= len(choices):
        return choices[int(said) - 1]
    for choice in choices:
        if choice.casefold() == said.casefold():
            return choice
    alike = [c for c in choices if c.casefold().startswith(said.casefold())]
    if len(alike) == 1:
        return alike[0]
    raise UserError(f"{seen(said)} is no {what}: give a number from 1 to {len(choices)}, its name, or -")


def permuted(said: str, on: Sequence[str]) -> list[str]:
    """`on` in the order of the numbers that were typed. Raises UserError."""
    numbers = said.replace(",", " ").split()
    if sorted(numbers) != sorted(str(n + 1) for n in range(len(on))):
        raise UserError(f"{seen(said)} is no order: give each number from 1 to {len(on)} once")
    return [on[int(n) - 1] for n in numbers]


def yes(said: str) -> bool:
    """Raises UserError for anything that is neither."""
    word = said.casefold()
    if word in ("y", "yes"):
        return True
    if word in ("n", "no", NONE):
        return False
    raise UserError(f"{seen(said)} is neither yes nor no")


def seen(text: str) -> str:
    """What was typed, short and without letters that move a cursor."""
    shown = "".join(c if c.isprintable() else "�" for c in text)
    return f'"{shown[:40]}…"' if len(shown) > 41 else f'"{shown}"'
