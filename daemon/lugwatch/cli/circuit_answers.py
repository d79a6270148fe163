"""The file of answers about the circuit: kept while a terminal asks, and read by `--answers`.

Not a command, and nothing is asked here. May import: everything below `cli`.
"""

import contextlib
import os
import tomllib
from pathlib import Path
from typing import Any

from lugwatch import circuit_edit, circuit_questions
from lugwatch.circuit_questions import KINDS, Answers, Standing
from lugwatch.errors import ConfigurationError, UserError
from lugwatch.model import PartKind

LARGEST_ANSWERS = 200_000  # bytes; 200 joints are a tenth of it


def read_answers(path: Path, known: Standing, *, left: list[str] | None = None) -> Answers:
    """Raises UserError, or ConfigurationError with every mistake. left: takes the mistakes instead."""
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST_ANSWERS + 1)
        if len(data) > LARGEST_ANSWERS:
            raise UserError(f"{path} is no file of answers: it is too long; name another or remove it")
        tables = tomllib.loads(data.decode("utf-8"))
    except OSError as error:
        raise UserError(f"cannot read {path}: {error.strerror}; check its name and rights") from None
    except UnicodeDecodeError:
        raise UserError(f"{path} is not UTF-8 text; mend it or remove it") from None
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        told = " ".join(str(error).split())[:200]
        raise UserError(f"{path} is no file of answers ({told}); mend it or remove it") from None
    mistakes: list[str] = []
    answers = _of_tables(tables, known, mistakes)
    if mistakes and left is None:
        raise ConfigurationError(str(path), mistakes)
    if left is not None:
        left += mistakes
    return answers


def _of_tables(tables: dict[str, Any], known: Standing, mistakes: list[str]) -> Answers:
    answers = Answers()
    joints = [j.joint for j in known.boat.joints]

    def table(name: str) -> dict[str, Any]:
        found = tables.get(name, {})
        if not isinstance(found, dict):
            mistakes.append(f"{name}: is to be a table, [{name}]")
            return {}
        return found

    for name in sorted(set(tables) - {"parts", "places", "currents", "order", "neighbours"}):
        mistakes.append(
            f"{name!r}: is no answer; there are [parts], [places], [currents], [order], neighbours"
        )
    for word, names in table("parts").items():
        if word not in {kind.value for kind in KINDS}:
            mistakes.append(f"[parts] {word!r} is no kind; kinds are {', '.join(k.value for k in KINDS)}")
        elif not isinstance(names, list) or not all(isinstance(n, str) for n in names):
            mistakes.append(f'[parts] {word}: is to be a list of names, as ["Main fuse"]')
        else:
            try:
                answers.parts[PartKind(word)] = circuit_questions.checked_names(
                    PartKind(word), names, answers
                )
            except UserError as error:
                mistakes.append(f"[parts] {word}: {error}")
    parts, currents = circuit_questions.part_names(answers), known.currents
    for joint, place in table("places").items():
        if joint not in joints:
            mistakes.append(f"[places] {joint!r} is no joint; there are {', '.join(joints[:8])}")
        elif not isinstance(place, str) or (place and place not in parts):
            mistakes.append(f"[places] {joint}: {place!r} stands in no list of [parts]; add it there")
        else:
            answers.places[joint] = place
    for joint, current in table("currents").items():
        if joint not in joints or current not in ("", *currents):
            mistakes.append(f"[currents] {joint} = {current!r}: no such joint or current")
        else:
            answers.currents[joint] = current
    for current, on in table("order").items():
        if current not in currents or not isinstance(on, list) or not set(map(str, on)) <= set(joints):
            mistakes.append(f"[order] {current}: is to be a list of the joints of a current that is there")
        else:
            answers.order[current] = list(on)
    shared = tables.get("neighbours")
    if shared is not None and not isinstance(shared, bool):
        mistakes.append("neighbours: is to be true or false")
    elif shared is not None:
        answers.one_metal = shared
    return answers


def answers_text(answers: Answers) -> str:
    """As `--answers` reads it."""
    q = circuit_edit.quoted
    rows = [
        "# Answers of `lugwatch circuit`; it goes on with them, and removes them when they are written.\n"
    ]
    if answers.one_metal is not None:
        rows.append(f"neighbours = {str(answers.one_metal).lower()}\n")
    rows.append("[parts]\n")
    rows += [f"{kind.value} = [{', '.join(map(q, names))}]\n" for kind, names in answers.parts.items()]
    rows.append("[places]\n")
    rows += [f"{q(joint)} = {q(place)}\n" for joint, place in answers.places.items()]
    rows.append("[currents]\n")
    rows += [f"{q(joint)} = {q(current)}\n" for joint, current in answers.currents.items()]
    rows.append("[order]\n")
    rows += [f"{q(current)} = [{', '.join(map(q, on))}]\n" for current, on in answers.order.items()]
    return "".join(rows)


def keep_answers(path: Path, answers: Answers) -> bool:
    """Put them in the file's place, synced; False where it cannot be written."""
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with part.open("w", encoding="utf-8") as file:
            file.write(answers_text(answers))
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except OSError:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        return False
    return True
