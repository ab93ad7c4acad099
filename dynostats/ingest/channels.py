"""The table of channels: what the trade calls them, and what they are stored as."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ChannelTable:
    """Trade names of channels, shipped and extended by the user."""

    user_toml: Path | None = None


def load_channel_table(user_toml: Path | None = None) -> ChannelTable:
    """Return the shipped table, extended by the user's TOML file."""
    return ChannelTable(user_toml=user_toml)
