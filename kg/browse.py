"""browse: the database in a web browser, read-only and on this machine only."""

from __future__ import annotations

import re
import socket
import sqlite3
import sys
import webbrowser
from collections.abc import Awaitable, Callable
from contextlib import closing
from pathlib import Path
from threading import Timer
from typing import Any

from kg import paths
from kg.database import open_database
from kg.problem import TubeloreError

HOST = "127.0.0.1"
SETTINGS = {
    "default_allow_sql": False,
    "allow_download": False,
    "suggest_facets": False,
    "max_returned_rows": 1000,
    "sql_time_limit_ms": 1000,
    "facet_time_limit_ms": 500,
    "default_page_size": 50,
    "truncate_cells_html": 400,
}
_HEADERS = (
    (b"content-security-policy", b"default-src 'self'; script-src 'self' 'unsafe-inline'; style-src 'self' 'unsafe-inline'; "
                                 b"img-src 'self' data:; frame-ancestors 'none'; base-uri 'none'; form-action 'self'"),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
)
App = Callable[[dict[str, Any], Any, Any], Awaitable[None]]


def site_metadata(connection: sqlite3.Connection, name: str) -> dict[str, Any]:
    """Return what Datasette needs to know about the database, its tables and the questions.

    Args:
        connection: the database; its descriptions of tables and columns were written by the build.
        name: the name under which Datasette shows the database.
    """
    import yaml

    site = yaml.safe_load(Path(paths.resource("build", "site.yaml")).read_text(encoding="utf-8"))
    tables: dict[str, dict[str, Any]] = {}
    for row in connection.execute("SELECT table_name, title, description FROM table_info"):
        tables[row["table_name"]] = {"title": row["title"], "description": row["description"], "columns": {}}
    for row in connection.execute("SELECT table_name, column_name, description FROM column_info"):
        tables[row["table_name"]]["columns"][row["column_name"]] = row["description"]
    for table, told in site["tables"].items():
        entry = tables.setdefault(table, {"columns": {}})
        entry.update({key: told[key] for key in ("title", "description", "facets", "sort") if key in told})
        entry["columns"].update(told.get("columns", {}))
        if "label" in told:
            entry["label_column"] = told["label"]
    for table, facets in site["facets"].items():
        tables[table]["facets"] = facets
    for row in connection.execute("SELECT table_name, column_name FROM column_info WHERE column_name = 'label'"):
        tables[row["table_name"]]["label_column"] = "label"
    tables["sources"]["label_column"] = "title"
    for table in site["hidden"]:
        tables.setdefault(table, {})["hidden"] = True
    top = {key: site[key] for key in ("title", "description", "license", "license_url")}
    return {**top, "databases": {name: {"tables": tables, "queries": canned_queries()}}}


def canned_queries() -> dict[str, dict[str, Any]]:
    """Return the questions that are pure retrieval, as they stand in ``queries/questions``."""
    queries = {}
    for path in sorted(Path(paths.resource("queries", "questions")).glob("*.sql")):
        text = path.read_text(encoding="utf-8")
        header = dict(re.findall(r"^-- (answers|parameters): *(.+)$", text, re.MULTILINE))
        params = [] if header["parameters"] == "none" else re.findall(r"(\w+) \(", header["parameters"])
        queries[path.stem.replace("_", "-")] = {
            "title": header["answers"][:1].upper() + header["answers"][1:],
            "description": f"Parameters: {header['parameters']}.",
            "sql": re.sub(r"^--.*\n", "", text, flags=re.MULTILINE).strip(),
            "params": params,
            "hide_sql": True,
        }
    return queries


def application(path: str, port: int) -> App:
    """Return the web application over a built database, guarded against foreign hosts."""
    import datasette.app
    from datasette import handle_exception

    # With rich at hand Datasette prints every variable of a page that is not found, which blocks the
    # server for seconds and turns some of these pages into an internal error.
    handle_exception.rich = None
    with closing(open_database(path)) as connection:
        metadata = site_metadata(connection, Path(path).stem)
    served = datasette.app.Datasette(immutables=[path], metadata=metadata, settings=SETTINGS)
    inner: App = served.app()
    allowed = {f"{name}:{port}".encode() for name in (HOST, "localhost")}

    async def guarded(scope: dict[str, Any], receive: Any, send: Any) -> None:
        if scope["type"] != "http":
            await inner(scope, receive, send)
            return
        host = dict(scope["headers"]).get(b"host", b"")
        if host not in allowed:
            await send({"type": "http.response.start", "status": 403, "headers": [(b"content-type", b"text/plain"), *_HEADERS]})
            await send({"type": "http.response.body", "body": b"Only this machine is served.\n"})
            return

        async def with_headers(message: dict[str, Any]) -> None:
            if message["type"] == "http.response.start":
                message = {**message, "headers": [*message["headers"], *_HEADERS]}
            await send(message)

        await inner(scope, receive, with_headers)

    return guarded


def run_browse(database: str | None, port: int, open_browser: bool) -> int:
    """Serve until interrupted.

    Args:
        database: the database file; the default place when not given.
        port: the port on the loopback address; 0 for a free one.
        open_browser: whether to open the first page.

    Returns:
        the exit status.
    """
    import uvicorn

    path = str(Path(database or paths.database_path()).absolute())
    try:
        with closing(open_database(path)):
            pass
        listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((HOST, port))
    except TubeloreError as error:
        print(f"tubelore: {error}", file=sys.stderr)
        return 1
    except OSError as error:
        print(f"tubelore: port {port} cannot be used ({error.strerror}); try --port 0", file=sys.stderr)
        return 1
    port = listener.getsockname()[1]
    address = f"http://{HOST}:{port}/"
    print(f"Serving {path} at {address} (read-only, this machine only; Ctrl-C ends it)", flush=True)
    if open_browser:
        Timer(1.0, webbrowser.open, [address]).start()
    server = uvicorn.Server(uvicorn.Config(application(path, port), log_level="warning", lifespan="on"))
    server.run(sockets=[listener])
    return 0
