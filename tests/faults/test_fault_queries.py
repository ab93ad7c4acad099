"""`dynostats query --sql` with everything it must not do: refused, and no byte changes anywhere."""

from __future__ import annotations

import json
import shutil
import threading
from http.server import BaseHTTPRequestHandler, HTTPServer

import pytest
from forbidden_sql import CHANGES_SETTINGS, REACHES_OUT, WRITES

from dynostats.cli import main


@pytest.fixture
def network():
    """A server on this computer that counts who calls."""
    calls = []

    class Count(BaseHTTPRequestHandler):
        def do_GET(self):
            calls.append(self.path)
            self.send_error(404)

        do_HEAD = do_GET  # noqa: N815 - likewise

        def log_message(self, *_):
            pass

    with HTTPServer(("127.0.0.1", 0), Count) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        yield f"http://127.0.0.1:{server.server_port}", calls
        server.shutdown()
        thread.join()


def everything(folder):
    return {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_a_query_reads_the_warehouse_and_touches_nothing_else(
    undisturbed, tmp_path, network, capsys, count
):
    warehouse = tmp_path / "shop.duckdb"
    shutil.copyfile(undisturbed, warehouse)
    (tmp_path / "secret.csv").write_text("a,b\n1,SECRET\n")
    before = everything(tmp_path)
    url, calls = network
    attempts = [text.format(folder=tmp_path) for text in WRITES + REACHES_OUT + CHANGES_SETTINGS]
    attempts += [text.replace("https://example.com", url) for text in attempts if "https:" in text]
    for text in attempts:
        with pytest.raises(SystemExit) as ended:
            main(["--warehouse", str(warehouse), "query", "--json", "--sql", text])
        said = capsys.readouterr()
        assert ended.value.code == 1, text
        assert set(json.loads(said.out)) == {"error"}, text
        assert "SECRET" not in said.out + said.err, text
        assert "Traceback" not in said.err, text
        assert everything(tmp_path) == before, text
    assert calls == []
    count("`query --sql` that writes, attaches, reaches out or changes settings", len(attempts))
