"""The words of the pages that the server writes, from the same file as those of the script.

Another language is another file in `web/texts`; what it lacks is said in English.
Imports nothing of ours.
"""

import json
from collections.abc import Mapping
from pathlib import Path

FALLBACK = "en"


class Texts:
    """`texts("page.now")`: the words of one key, its {values} put in. Raises KeyError for no such key."""

    def __init__(self, words: Mapping[str, str]) -> None:
        self._words = words

    @classmethod
    def read(cls, folder: Path, language: str = FALLBACK) -> "Texts":
        """The words of `language`, over those of English."""
        words: dict[str, str] = {}
        for name in (FALLBACK, language):
            path = folder / f"{name}.json"
            if path.is_file():
                words |= json.loads(path.read_text(encoding="utf-8"))
        return cls(words)

    def __call__(self, key: str, **values: object) -> str:
        text = self._words[key]
        for name, value in values.items():
            text = text.replace(f"{{{name}}}", str(value))
        return text

    def word(self, group: str, name: str) -> str:
        """The word for a value that the watch may have and this page not yet."""
        return self._words.get(f"{group}.{name}", name.replace("_", " ").replace("-", " "))
