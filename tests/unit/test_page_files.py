"""The page's files as browsers get them: packed where they take it, and never an old one."""

from __future__ import annotations

import gzip
import os
from pathlib import Path

import pytest
from starlette.datastructures import Headers

from stillair.api import page_files
from stillair.api.linking import PARTS
from stillair.api.page_files import PageFiles, is_known, takes_gzip

PAGE = """<link href="/web/icon.svg" /><link href="/web/app.css" />
<script src="/web/program.js"></script>"""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(page_files, "LOOK_AGAIN_S", 0.0)
    (tmp_path / "js").mkdir()
    for module in ("worker.js", *(each for modules in PARTS.values() for each in modules)):
        (tmp_path / "js" / module).write_text("export const hour = 1;\n")
    (tmp_path / "js" / "main.js").write_text("go();\n")
    (tmp_path / "index.html").write_text(PAGE)
    (tmp_path / "app.css").write_text("p { margin: 0 }\n" * 100)
    (tmp_path / "door.png").write_bytes(b"\x89PNG")
    return tmp_path


@pytest.mark.parametrize(
    ("accepted", "packed"),
    [
        pytest.param("", False, id="nothing said"),
        pytest.param("gzip, deflate, br, zstd", True, id="a browser"),
        pytest.param("br", False, id="another one alone"),
        pytest.param("GZIP;q=0.5", True, id="in large letters, half"),
        pytest.param("gzip;q=0", False, id="refused"),
        pytest.param("gzip;q=0.000, *", False, id="refused among all"),
        pytest.param("*", True, id="whatever there is"),
        pytest.param("*;q=0", False, id="nothing whatever"),
        pytest.param("identity, gzip;q=0.5", False, id="rather as it is"),
        pytest.param("x-gzip", True, id="under its old name"),
        pytest.param("gzip;q=high", False, id="a share that can't be read"),
        pytest.param(";;,,q=1,=", False, id="rubbish"),
    ],
)
def test_packed_only_for_who_takes_it(accepted: str, packed: bool) -> None:
    assert takes_gzip(accepted) is packed


@pytest.mark.parametrize(
    ("told", "known"),
    [
        ("", False),
        ('"a"', True),
        ('W/"a"', True),
        ('"b", "a"', True),
        ("*", True),
        ('"a-gz"', False),
    ],
)
def test_what_a_browser_has_is_known_by_its_tag(told: str, known: bool) -> None:
    assert is_known('"a"', told) is known


def ask(
    files: PageFiles, name: str, version: str | None = None, **headers: str
) -> tuple[int, dict[str, str], bytes]:
    """Status, headers and body of the answer."""
    given = Headers({name.replace("_", "-"): value for name, value in headers.items()})
    answer = files.answer(name, given, version=version)
    assert answer is not None
    return answer.status_code, dict(answer.headers), bytes(answer.body)


def test_both_forms_are_the_same_text_under_tags_of_their_own(folder: Path) -> None:
    files = PageFiles(folder)
    _, plain, text = ask(files, "app.css")
    _, packed, small = ask(files, "app.css", accept_encoding="gzip")
    assert text == (folder / "app.css").read_bytes() == gzip.decompress(small)
    assert len(small) < len(text) / 10
    assert packed["content-encoding"] == "gzip" and "content-encoding" not in plain
    assert plain["etag"] != packed["etag"]
    for headers in (plain, packed):
        assert headers["vary"] == "Accept-Encoding"
        assert headers["cache-control"] == "private, no-cache"
        assert headers["content-type"] == "text/css; charset=utf-8"
    status, again, nothing = ask(
        files, "app.css", accept_encoding="gzip", if_none_match=packed["etag"]
    )
    assert (status, nothing, again["etag"]) == (304, b"", packed["etag"])
    assert ask(files, "app.css", if_none_match=packed["etag"])[0] == 200, "it has another form"


def test_the_first_page_names_the_newest_of_what_may_be_kept_for_good(folder: Path) -> None:
    files = PageFiles(folder)
    _, headers, page = ask(files, "index.html")
    assert "cache-control" not in headers, "the guard's stays: it is never kept"
    version = files.version
    assert page.decode() == PAGE.replace("/web/app", f"/web/{version}/app").replace(
        "/web/program", f"/web/{version}/program"
    )
    _, kept, program = ask(files, "program.js", version)
    assert kept["cache-control"] == "private, max-age=31536000, immutable"
    assert b"go();" in program
    (folder / "js" / "main.js").write_text("come();\n")
    os.utime(folder / "js" / "main.js", ns=(1, 1))
    assert files.version != version
    assert files.answer("program.js", Headers(), version=version) is None, (
        "nothing new under the old"
    )
    assert b"come();" in ask(files, "program.js", files.version)[2]
    assert files.version in ask(files, "index.html")[2].decode()


@pytest.mark.parametrize(
    ("name", "headers"),
    [
        pytest.param("door.png", {}, id="a picture"),
        pytest.param("app.css", {"range": "bytes=0-3"}, id="a part of a file"),
        pytest.param("../app.css", {}, id="above the folder"),
        pytest.param("js", {}, id="a folder"),
        pytest.param("none.js", {}, id="no file"),
    ],
)
def test_the_rest_is_left_to_who_serves_files(
    folder: Path, name: str, headers: dict[str, str]
) -> None:
    assert PageFiles(folder).answer(name, Headers(headers)) is None


def test_no_more_is_kept_than_fits(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(page_files, "MOST_BYTES", 0)
    monkeypatch.setattr(page_files, "LARGEST_BYTES", 100)
    files = PageFiles(folder)
    assert files.answer("app.css", Headers()) is None, "too large to be packed"
    assert ask(files, "index.html") == ask(files, "index.html")
    assert files._made == {}
