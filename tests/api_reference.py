"""Build the reference of `import dynostats as ds` from its docstrings, as HTML.

Run: .venv/bin/python tests/api_reference.py --out FOLDER      (then open FOLDER/index.html)

A warning, such as a public name that cannot be resolved, is an error.
"""

from __future__ import annotations

import argparse
import warnings
from pathlib import Path

import dynostats


def build(out: Path) -> Path:
    """Write the pages and return the one to open first."""
    import pdoc  # noqa: PLC0415 - half a second that the tests beside this one need not wait for
    import pdoc.render  # noqa: PLC0415

    for name in dynostats.__all__:  # they are loaded when asked for; the reference wants them now
        setattr(dynostats, name, getattr(dynostats, name))
    # The parts that a warehouse is made of have no page of their own: its methods stand with it.
    for part in dynostats.Warehouse.__mro__[1:-1]:
        for name, member in vars(part).items():
            if not name.startswith("_"):
                setattr(dynostats.Warehouse, name, member)
    pdoc.render.configure(docformat="google", show_source=False)
    with warnings.catch_warnings():
        warnings.simplefilter("error", UserWarning)
        # An inherited field's type is printed as it is written; nothing is lost by that.
        warnings.filterwarnings("ignore", "Error parsing type annotation")
        pdoc.pdoc("dynostats", output_directory=out)
    return out / "index.html"


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, required=True)
    print(build(parser.parse_args().out))  # noqa: T201
