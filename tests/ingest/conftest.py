"""Fixtures of the ingest tests."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from dynostats.ingest import ChannelTable, load_channel_table


@pytest.fixture
def rules(tmp_path) -> Callable[[str], ChannelTable]:
    """Return a function that makes a channel table of the user's own words."""

    def make(text: str) -> ChannelTable:
        path = Path(tmp_path) / "channels.toml"
        path.write_text(text, encoding="utf-8")
        return load_channel_table(path)

    return make
