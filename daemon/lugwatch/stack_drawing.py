"""A stack as a cross-section, with the current's way through it: SVG text.

Heights are not to scale (a washer must be seen). Colour only helps: every part is named and what the current
passes is marked in words. May import: stack.
"""

from collections.abc import Sequence
from xml.sax.saxutils import escape

from lugwatch.stack import Part, Stack

_MIDDLE = 210  # of the stud
_BAR = (60, 360)
_COPPER, _STEEL, _WAY = "#d9a066", "#aeb4ba", "#a8322a"
_STEELS = (_STEEL, "#8f979e", "#c3c8cc")
_HALF_WIDTH = {Part.WASHER: 62, Part.LOCK_WASHER: 50, Part.NUT: 56, Part.STUD: 56}
_HEIGHT = {Part.WASHER: 14, Part.LOCK_WASHER: 14, Part.NUT: 34, Part.STUD: 40}
_LUG_HEIGHT = 30


def draw(stack: Stack, title: str) -> str:
    """One self-contained SVG document; names are escaped."""
    height, parts, ways, labels = _plan(stack)
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 900 {height}" font-family="sans-serif" '
            f'font-size="14" role="img" aria-label="{_quoted(title)}">',
            f'  <rect width="900" height="{height}" fill="#fbfaf6"/>',
            f'  <text x="20" y="28" font-size="16" fill="#222">{escape(title)}</text>',
            *_drawn(parts, ways),
            *_labels(labels),
            f'  <text x="20" y="{height - 14}" fill="{_WAY}">dashed: the current, from cable to bar</text>',
            "</svg>",
            "",
        ]
    )


def draw_numbered(stack: Stack, title: str) -> str:
    """The same for a narrow page: numbers at the left, 1 at the top, that `part_names` explains.

    Parts have classes, so that a page may give them the colours of its light.
    """
    height, parts, ways, labels = _plan(stack)
    heights = [y for y, _ in sorted(labels)]
    # of a low stack the last number stands below the last part
    top, bottom = 40, max(height - 20, _number_heights(heights)[-1] + 20)
    return "\n".join(
        [
            f'<svg viewBox="0 {top} 600 {bottom - top}" font-size="24" role="img" class="stack-drawing" '
            f'aria-label="{_quoted(title)}">',
            *_drawn(parts, ways),
            *_numbers(heights),
            "</svg>",
        ]
    )


def part_names(stack: Stack) -> list[str]:
    """What is drawn, from top to bottom."""
    return [name for _, name in sorted(_plan(stack)[3])]


_Ways = list[list[tuple[int, int]]]


def _plan(stack: Stack) -> tuple[int, list[str], _Ways, list[tuple[int, str]]]:
    """Height, boxes, ways of the current, and names with the height that each stands at."""
    parts: list[str] = []
    labels: list[tuple[int, str]] = []
    height = 150 + sum(_HEIGHT[p] for p in stack.in_path) + _LUG_HEIGHT * len(stack.lugs) + 90
    y = height - 60
    parts.append(_box(_BAR[0], y - 36, _BAR[1] - _BAR[0], 36, _COPPER))
    labels.append((y - 18, f"bar, {stack.bar_metal}, {stack.bar_width_mm:g} × {stack.bar_thickness_mm:g} mm"))
    bottom = y
    y -= 36
    way = [(_BAR[0] + 10, y + 18), (_MIDDLE + 42, y + 18), (_MIDDLE + 42, y)]
    branches: list[tuple[int, int]] = []  # where each lug's current joins
    for part in stack.in_path:
        y -= _HEIGHT[part]
        half = _HALF_WIDTH[part]
        parts.append(_box(_MIDDLE - half, y, 2 * half, _HEIGHT[part], _STEEL))
        labels.append((y + _HEIGHT[part] // 2, f"{_name(part)}, {stack.hardware_metal}: in the way"))
        if part is Part.STUD:
            # an insulating sleeve would stand here: the current has to climb the thread
            way += [(_MIDDLE + 42, y + _HEIGHT[part]), (_MIDDLE, y + _HEIGHT[part]), (_MIDDLE, y)]
        way.append((_MIDDLE + 42, y))
    for number, lug in enumerate(stack.lugs, 1):
        y -= _LUG_HEIGHT
        parts.append(_box(_MIDDLE - 70, y, 250, _LUG_HEIGHT, "#e0b382"))
        parts.append(_box(_MIDDLE + 180, y + 4, 190, _LUG_HEIGHT - 8, "#c98a4b"))
        branches.append((_MIDDLE + 42, y + _LUG_HEIGHT // 2))
        labels.append((y + _LUG_HEIGHT // 2, f"lug {number}, {lug.cable_mm2:g} mm², {lug.amps:g} A"))
    way.append(branches[-1])
    y -= 10
    parts.append(_box(_MIDDLE - 58, y, 116, 10, _STEEL))
    labels.append((y + 5, "flat washer"))
    y -= 10
    parts.append(_box(_MIDDLE - 48, y, 96, 10, "#8f979e"))
    labels.append((y + 5, "lock washer"))
    y -= 36
    parts.append(_box(_MIDDLE - 46, y, 92, 36, _STEEL))
    labels.append((y + 18, f"nut, {stack.torque:g} N m"))
    parts.insert(0, _box(_MIDDLE - 18, y - 16, 36, bottom - y + 40, "#c3c8cc"))
    labels.append((bottom + 12, f"stud {stack.stud}"))
    ways = [way, *([(x, v), (_MIDDLE + 366, v)] for x, v in branches)]
    return height, parts, ways, labels


def _drawn(parts: Sequence[str], ways: _Ways) -> list[str]:
    return [
        '  <g class="parts" stroke="#333" stroke-width="1.3">',
        *(f"    {part}" for part in parts),
        "  </g>",
        f'  <g class="way" fill="none" stroke="{_WAY}" stroke-width="4" stroke-dasharray="9 5">',
        *(f'    <polyline points="{" ".join(f"{x},{v}" for x, v in one)}"/>' for one in ways),
        "  </g>",
    ]


def _quoted(title: str) -> str:
    return escape(title, {chr(34): "&quot;"})


def _box(x: int, y: int, width: int, height: int, fill: str) -> str:
    kind = "steel" if fill in _STEELS else "copper"
    return f'<rect class="{kind}" x="{x}" y="{y}" width="{width}" height="{height}" fill="{fill}"/>'


def _labels(labels: Sequence[tuple[int, str]]) -> list[str]:
    """Names at the right, from top to bottom, never over each other, each with a line to its part."""
    lines, below = [], 0
    for y, text in sorted(labels):
        at = max(y, below + 18)
        below = at
        lines.append(f'  <path d="M588 {y} L604 {at}" stroke="#777" fill="none"/>')
        lines.append(f'  <text x="610" y="{at + 5}" fill="#222">{escape(text)}</text>')
    return lines


def _numbers(heights: Sequence[int]) -> list[str]:
    """Numbers at the left, never over each other, each with a line to its part."""
    lines: list[str] = []
    for number, (y, at) in enumerate(zip(heights, _number_heights(heights), strict=True), 1):
        lines.append(
            f'  <path class="lead" d="M34 {at} L52 {at} L{_MIDDLE - 40} {y}" stroke="#777" fill="none"/>'
        )
        lines.append(f'  <text x="30" y="{at + 8}" text-anchor="end" fill="#222">{number}</text>')
    return lines


def _number_heights(heights: Sequence[int]) -> list[int]:
    """Where the number of each part stands."""
    found: list[int] = []
    for y in heights:
        found.append(y if not found else max(y, found[-1] + 27))
    return found


def _name(part: Part) -> str:
    return part.value.replace("_", " ")
