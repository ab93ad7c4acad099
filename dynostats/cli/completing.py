"""What the Tab key offers: names that the warehouse holds. Never an error, whatever is wrong."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from dynostats.cli.settings import Settings

if TYPE_CHECKING:
    from click.shell_completion import CompletionItem

    from dynostats.warehouse import Store

# Option, or argument of a command: the kind of name it takes.
_KINDS = {
    "--baseline": "setup",
    "--candidate": "setup",
    "--reference": "setup",
    "--setup": "setup",
    "--engine": "engine",
    "--dyno": "dyno",
    "--session": "session",
    "--channel": "channel",
    "pull": "pull",
    "pulls": "pull",
    "query name": "query",
    "withdraw name": "event",
}


class StoredName(click.types.StringParamType):
    """A text that is mostly the name of something in the warehouse; any text is taken."""

    def __init__(self, kind: str) -> None:
        """Keep what is named: a setup, an engine, a pull and so on."""
        self.kind = kind

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        """Return the names that begin so; none where they cannot be read at once."""
        from click.shell_completion import CompletionItem

        del param
        try:
            names = _names(ctx, self.kind)
        except Exception:  # noqa: BLE001 - half a command line is no place to say what is wrong
            return []
        return [CompletionItem(name) for name in names if name.startswith(incomplete)]


def complete_names(command: click.Command) -> None:
    """Give what a command takes that has a name in the warehouse its completion."""
    if isinstance(command, click.Group):
        for part in command.commands.values():
            complete_names(part)
    for param in command.params:
        keys = (*param.opts, f"{command.name} {param.name}")
        kind = next((_KINDS[key] for key in keys if key in _KINDS), None)
        if kind is not None:
            param.type = StoredName(kind)


def _names(context: click.Context, kind: str) -> list[str]:
    from dynostats.warehouse import open_store, query_names

    if kind == "query":
        return list(query_names())
    settings = context.find_object(Settings) or Settings()
    # Somebody else may be writing: then there is nothing to offer, and nothing to wait for.
    with open_store(settings.warehouse, wait_s=0.0, say=lambda _: None) as store:
        return _look_up(store, kind, engine=context.params.get("engine"))


def _look_up(store: Store, kind: str, *, engine: str | None) -> list[str]:
    if kind == "channel":
        return list(store.curve_channels())
    if kind == "event":
        return store.query("events", {})["event"].to_list()
    pulls = store.pulls(engine=None if kind == "engine" else engine)
    return pulls[kind].drop_nulls().unique(maintain_order=True).to_list()
