"""Did the change help? Defensible answers from a handful of engine dynamometer pulls.

Names are loaded when first used, so that `import dynostats` costs next to nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from dynostats.analysis.comparison import Comparison
    from dynostats.api import Finding, Warehouse, open_warehouse
    from dynostats.api.demo import demo
    from dynostats.api.lake import Lake, open_lake
    from dynostats.errors import AnalysisError, DynostatsError, InputError, WarehouseError

    __version__: str

__all__ = [
    "AnalysisError",
    "Comparison",
    "DynostatsError",
    "Finding",
    "InputError",
    "Lake",
    "Warehouse",
    "WarehouseError",
    "__version__",
    "demo",
    "open_lake",
    "open_warehouse",
]

_HOMES = {
    "AnalysisError": "dynostats.errors",
    "Comparison": "dynostats.analysis.comparison",
    "DynostatsError": "dynostats.errors",
    "Finding": "dynostats.api",
    "InputError": "dynostats.errors",
    "Lake": "dynostats.api.lake",
    "Warehouse": "dynostats.api",
    "WarehouseError": "dynostats.errors",
    "demo": "dynostats.api.demo",
    "open_lake": "dynostats.api.lake",
    "open_warehouse": "dynostats.api",
}


def __getattr__(name: str) -> object:
    """Load a public name when it is first asked for."""
    if name == "__version__":
        from importlib import metadata  # 10 ms that only this name needs

        return metadata.version("dynostats")
    if name not in _HOMES:
        raise AttributeError(f"module 'dynostats' has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    """List the public names, loaded or not."""
    return __all__
