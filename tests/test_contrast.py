"""The page's colours, computed: words at least 4.5 to 1, signs 3 to 1, in each light; red is red alone.

Relative luminance and contrast ratio: WCAG 2.2, definitions, and success criteria 1.4.3 and 1.4.11.
"""

import re

import pytest

from pages import ROOT

LOOKS = (ROOT / "web/style/looks.css").read_text(encoding="utf-8")
WORDS = 4.5
SIGNS = 3.0


def colours(look: str) -> dict[str, str]:
    """Names and values of one light, over those of the day."""
    found: dict[str, str] = {}
    for selector, body in re.findall(r"(:root[^{]*)\{([^}]*)\}", LOOKS):
        if selector.strip() == ":root" or f'"{look}"' in selector:
            found |= dict(re.findall(r"--([\w-]+):\s*(#[0-9a-f]+)", body))
    return found


def rgb(value: str) -> tuple[float, float, float]:
    digits = value[1:]
    if len(digits) == 3:
        digits = "".join(2 * digit for digit in digits)
    red, green, blue = (int(digits[i : i + 2], 16) / 255.0 for i in (0, 2, 4))
    return red, green, blue


def luminance(value: str) -> float:
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in rgb(value)]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(a: str, b: str) -> float:
    lighter, darker = sorted((luminance(a), luminance(b)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def test_the_formula_is_the_standards() -> None:
    # black on white is 21 to 1; #777 on white is the well-known pair just short of 4.5 to 1
    assert contrast("#000", "#fff") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)


@pytest.mark.parametrize("look", ["day", "dark", "red"])
def test_words_can_be_read_in_each_light(look: str) -> None:
    c = colours(look)
    for ink, paper in (("ink", "paper"), ("quiet", "paper"), ("ember", "paper"), ("on-ember", "ember")):
        assert contrast(c[ink], c[paper]) >= WORDS, (look, ink, paper, contrast(c[ink], c[paper]))
    # the mark of where a joint is and the wall of its limit stand on the band
    assert contrast(c["ink"], c["band"]) >= SIGNS, look


def test_red_is_red_alone() -> None:
    for name, value in colours("red").items():
        red, green, blue = rgb(value)
        assert green <= 0.4 * red and blue <= 0.25 * red, (name, value)


def test_nothing_is_told_by_colour_alone() -> None:
    """Each state has its shape: a filled triangle, a ring or dot, a dashed square."""
    style = (ROOT / "web/style/drawings.css").read_text(encoding="utf-8")
    script = (ROOT / "web/scripts/scale.js").read_text(encoding="utf-8")
    assert "stroke-dasharray" in style and '"triangle"' in script and '"dashed"' in script
