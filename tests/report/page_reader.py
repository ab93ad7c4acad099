"""Read a page back as a program would: its visible text, its elements, its embedded JSON."""

from __future__ import annotations

import json
from html.parser import HTMLParser

_VOID = {"meta", "img", "input", "br", "hr", "link", "path", "rect", "line"}


class PageReader(HTMLParser):
    """Collects elements with their attributes, and the text outside scripts and styles."""

    def __init__(self, html: str) -> None:
        """Read the whole page at once."""
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.scripts: dict[str, str] = {}
        self._open: list[tuple[str, dict[str, str | None]]] = []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Keep the element."""
        self.elements.append((tag, dict(attrs)))
        if tag not in _VOID:
            self._open.append((tag, dict(attrs)))

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Keep the element, which has no inside."""
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        """Close the innermost element of that name."""
        for place in range(len(self._open) - 1, -1, -1):
            if self._open[place][0] == tag:
                del self._open[place:]
                return

    def handle_data(self, data: str) -> None:
        """Keep text, that of scripts apart."""
        tag, attributes = self._open[-1] if self._open else ("", {})
        if tag == "script":
            self.scripts[attributes.get("id") or f"code{len(self.scripts)}"] = data
        elif tag != "style":
            self.words.append(data)

    @property
    def text(self) -> str:
        """The visible text with single spaces."""
        return " ".join(" ".join(self.words).split())

    def tags(self, *names: str) -> list[dict[str, str | None]]:
        """Attributes of every element of these names, in order."""
        return [attributes for tag, attributes in self.elements if tag in names]

    def data(self, name: str) -> dict:
        """Embedded JSON by the id of its script element."""
        return json.loads(self.scripts[name])
