"""The pages in a browser: served on this machine only, read-only, and nothing in a catalogue row runs."""

from __future__ import annotations

import html
import json
import re
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

import pytest

from tests.miniature import REPOSITORY, Miniature, write_miniature, write_table

HOSTILE = "<script>alert(1)</script>"
OPENER = urllib.request.build_opener(urllib.request.ProxyHandler({}))


class Page(NamedTuple):
    """What came back for an address."""

    status: int
    headers: dict[str, str]
    text: str


class Site:
    """A running ``tubelore browse``."""

    def __init__(self, address: str) -> None:
        self.address = address

    def get(self, path: str, host: str | None = None, data: bytes | None = None) -> Page:
        """Fetch a page; a refusal is a page too."""
        request = urllib.request.Request(urllib.parse.urljoin(self.address, path), data=data)
        if host is not None:
            request.add_header("Host", host)
        try:
            with OPENER.open(request, timeout=30) as reply:
                return _page(reply)
        except urllib.error.HTTPError as error:
            with error:
                return _page(error)

    def rows(self, path: str) -> list[dict[str, object]]:
        """Fetch rows as JSON."""
        page = self.get(path + ("&" if "?" in path else "?") + "_shape=array")
        assert page.status == 200, page.text
        found: list[dict[str, object]] = json.loads(page.text)
        return found


def _page(reply: object) -> Page:
    return Page(reply.status, {k.lower(): v for k, v in reply.headers.items()}, reply.read().decode())  # type: ignore[attr-defined]


@contextmanager
def _serving(database: Path) -> Iterator[Site]:
    code = "import sys; from kg.cli import main; sys.exit(main())"
    process = subprocess.Popen([sys.executable, "-c", code, "browse", "--port", "0", "--no-open", "--database", str(database)],
                               cwd=REPOSITORY, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    try:
        assert process.stdout is not None
        first = process.stdout.readline()
        found = re.search(r"http://127\.0\.0\.1:\d+/", first)
        assert found, first
        assert str(database) in first and "read-only, this machine only" in first
        site = Site(found.group())
        _wait(site, process)
        yield site
    finally:
        process.terminate()
        try:
            process.wait(timeout=20)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(timeout=20)
        if process.stdout:
            process.stdout.close()


def _wait(site: Site, process: subprocess.Popen[str]) -> None:
    deadline = time.monotonic() + 60
    while True:
        try:
            site.get("/-/versions.json")
            return
        except (urllib.error.URLError, ConnectionError):
            assert process.poll() is None and time.monotonic() < deadline, "the server does not answer"
            time.sleep(0.05)


@pytest.fixture(scope="module")
def site(database: Path) -> Iterator[Site]:
    with _serving(database) as running:
        yield running


@pytest.fixture(scope="module")
def hostile_site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """A site over a catalogue in which names and remarks are code."""
    folder = tmp_path_factory.mktemp("hostile")
    small: Miniature = write_miniature(folder / "checkout")
    small.build(folder / "tubelore.sqlite")
    header = ["code", "name", "kind", "analytes", "department", "status", "remark"]
    columns = (small.root / "ontology" / "demonstration" / "catalogue.csv").read_text(encoding="utf-8").splitlines()[0].split(",")
    values = dict(zip(header, ["T-X", HOSTILE, "test", "potassium", "chemistry", "active", "\"><img src=x onerror=alert(2)>"], strict=True))
    write_table(folder / "local.csv", [columns, [values.get(column, "") for column in columns]])
    done = small.command("catalogue", "import", str(folder / "local.csv"), "--database", str(folder / "tubelore.sqlite"))
    assert done.returncode == 0, done.stderr
    with _serving(folder / "tubelore.sqlite") as running:
        yield running


# What there is to see

def test_the_first_page_names_the_site_its_caution_and_its_database(site: Site) -> None:
    page = site.get("/")
    assert page.status == 200
    assert "<title>Tubelore" in page.text
    assert "this reference does not diagnose" in " ".join(page.text.split())
    assert 'href="/tubelore"' in page.text


def test_the_database_page_lists_fact_tables_by_title_and_the_questions(site: Site) -> None:
    page = site.get("/tubelore")
    assert page.status == 200
    for link in ("/tubelore/analytes", "/tubelore/stability", "/tubelore/effect", "/tubelore/effects-of-pair"):
        assert f'href="{link}"' in page.text
    assert "column_info" not in page.text


def test_a_fact_table_shows_labels_of_the_things_it_refers_to_and_describes_its_columns(site: Site) -> None:
    page = site.get("/tubelore/binding?ligand=edta-4minus")
    assert page.status == 200
    assert re.search(r'<a href="/tubelore/species/calcium-ion">Calcium ion[^<]*</a>', page.text)
    row = site.rows("/tubelore/column_info.json?table_name=binding&column_name=strength")[0]
    assert html.escape(str(row["description"])) in page.text


def test_effects_can_be_narrowed_by_facet(site: Site) -> None:
    page = site.get("/tubelore/effect?_facet=direction&cause=k2-edta&status=derived")
    assert page.status == 200
    assert 'id="facet-direction"' in page.text or 'data-column="direction"' in page.text
    told = json.loads(site.get("/tubelore/effect.json?_facet=direction&cause=k2-edta&status=derived&_size=max").text)
    facet = {entry["value"]: entry["count"] for entry in told["facet_results"]["direction"]["results"]}
    assert facet["increase"] > 0 and facet["decrease"] > 0
    assert sum(facet.values()) == told["filtered_table_rows_count"]


def test_a_question_with_parameters_answers_on_a_page_and_as_json(site: Site) -> None:
    query = "/tubelore/effects-of-pair{}?cause=k2-edta&analyte=calcium-total"
    page = site.get(query.format(""))
    assert page.status == 200 and "K2EDTA" in page.text
    assert 'name="cause"' in page.text and 'name="analyte"' in page.text
    rows = site.rows(query.format(".json"))
    assert rows
    assert {"decrease", "unmeasurable"} >= {row["direction"] for row in rows if row["id"] == "ae-0001"} != set()


def test_every_question_of_the_site_can_be_opened(site: Site) -> None:
    told = json.loads(site.get("/tubelore.json").text)
    assert len(told["queries"]) >= 15
    example = {"cause": "k2-edta", "analyte": "potassium", "additive": "k2-edta", "source": "common-practice", "words": "potassium",
               "query": "potassium", "test": "QV-K", "factor": "haemolysis", "guideline": "clsi-gp41-2017-venous"}
    for query in told["queries"]:
        values = urllib.parse.urlencode({name: example.get(name, "potassium") for name in query["params"]})
        page = site.get(f"/tubelore/{query['name']}.json?_shape=array&{values}")
        assert page.status == 200, (query["name"], page.text)
        assert isinstance(json.loads(page.text), list)


def test_facts_are_found_by_their_words(site: Site) -> None:
    rows = site.rows("/tubelore/fact.json?_search=glycolysis")
    assert rows
    assert all("glycolysis" in str(row["sentence"]).lower() for row in rows)
    page = site.get("/tubelore/fact?_search=glycolysis")
    assert page.status == 200 and 'name="_search"' in page.text


# What is refused

@pytest.mark.parametrize("path", ["/tubelore?sql=select+1", "/tubelore.json?sql=select+1",
                                  "/tubelore/effect?_where=1%3D1", "/tubelore/effect.json?_where=id+in+(select+1)"])
def test_sql_of_the_visitor_is_refused(path: str, site: Site) -> None:
    page = site.get(path)
    assert page.status in (400, 403)
    assert '"rows"' not in page.text


@pytest.mark.parametrize("path", ["/tubelore.db", "/tubelore/effect/-/insert", "/tubelore/-/create"])
def test_the_file_cannot_be_downloaded_or_written(path: str, site: Site) -> None:
    assert site.get(path).status in (400, 403, 404)
    if "/-/" in path:
        assert site.get(path, data=b'{"row": {}}').status in (400, 403, 404, 405)


@pytest.mark.parametrize("host", ["evil.example", "evil.example:80", "127.0.0.1", "127.0.0.1.evil.example", ""])
def test_a_request_for_another_host_is_refused(host: str, site: Site) -> None:
    page = site.get("/tubelore/effect.json", host=host)
    assert page.status == 403
    assert page.text == "Only this machine is served.\n"
    assert page.headers["x-content-type-options"] == "nosniff"


def test_localhost_by_name_is_served(site: Site) -> None:
    port = urllib.parse.urlsplit(site.address).port
    assert site.get("/", host=f"localhost:{port}").status == 200


def test_the_server_listens_on_the_loopback_address_only(site: Site) -> None:
    port = urllib.parse.urlsplit(site.address).port
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as other:
        other.bind(("127.0.0.2", port or 0))  # would be in use if the server had taken every address


@pytest.mark.parametrize("path", ["/", "/tubelore", "/tubelore/effect.json", "/tubelore/no-such-table", "/-/static/app.css"])
def test_every_page_carries_the_headers_that_keep_a_browser_safe(path: str, site: Site) -> None:
    headers = site.get(path).headers
    policy = headers["content-security-policy"]
    assert "default-src 'self'" in policy and "frame-ancestors 'none'" in policy and "base-uri 'none'" in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "no-referrer"


# What a catalogue row holds is text

@pytest.mark.parametrize("path", ["/tubelore/test", "/tubelore/test/T-X", "/tubelore/test?_search=script",
                                  "/tubelore/test_analyte", "/tubelore/test?_facet=name", "/tubelore/test?_facet=remark",
                                  "/tubelore/tests-measuring?analyte=potassium"])
def test_a_hostile_name_is_shown_as_text(path: str, hostile_site: Site) -> None:
    page = hostile_site.get(path)
    assert page.status == 200
    assert html.escape(HOSTILE) in page.text
    assert HOSTILE not in page.text and "<img src=x" not in page.text


@pytest.mark.parametrize("path", [f"/tubelore/test?_search={urllib.parse.quote(HOSTILE)}", f"/tubelore/test?code={urllib.parse.quote(HOSTILE)}",
                                  f"/tubelore/effects-of-pair?cause={urllib.parse.quote(HOSTILE)}&analyte=x",
                                  f"/tubelore/{urllib.parse.quote(HOSTILE, safe='')}"])
def test_a_hostile_address_is_shown_as_text(path: str, hostile_site: Site) -> None:
    assert HOSTILE not in hostile_site.get(path).text


# Starting

def test_a_port_that_is_taken_is_named(database: Path) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        code = "import sys; from kg.cli import main; sys.exit(main())"
        done = subprocess.run([sys.executable, "-c", code, "browse", "--port", port, "--no-open", "--database", str(database)],
                              cwd=REPOSITORY, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 1
    assert f"port {port} cannot be used" in done.stderr and "--port 0" in done.stderr
    assert "Traceback" not in done.stderr
