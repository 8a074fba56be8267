"""An owner brings another board's history in at a page, and everybody sees what it is."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import expect

from archived import rich
from stillair.runtime.archive_file import export

from .conftest import Look, Serve

WAIT_MS = 60_000  # a program of its own has to begin


@pytest.mark.timeout(300)
def test_a_history_is_brought_in_and_shown_for_what_it_is(
    tmp_path: Path, look: Look, serve: Serve
) -> None:
    file = export(rich(tmp_path / "there", jobs=2), tmp_path / "all.zip").path
    service = serve(names=("East bench",))
    page = look(service, "/#/setting-up", expected="status of 409")
    part = page.get_by_role("region", name="All that is kept, on another board")
    expect(part.get_by_role("link", name="Take everything out")).to_be_visible()
    bring = part.get_by_role("button", name="Bring it in")
    expect(bring).to_be_disabled()
    part.get_by_label("File", exact=True).set_input_files(file)
    bring.click()
    told = part.get_by_role("status")
    expect(told).to_contain_text("Brought in: 2 jobs", timeout=WAIT_MS)
    expect(told).to_contain_text("Here already: nothing.")
    bring.click()
    expect(told).to_contain_text("Brought in: nothing. Here already: 2 jobs", timeout=WAIT_MS)
    part.get_by_label("Under another key").fill("North Bench")
    bring.click()
    expect(part.get_by_role("alert")).to_contain_text("no chamber's key", timeout=WAIT_MS)
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    low = page.evaluate(
        """[...document.querySelectorAll('.archive a, .archive button, .archive input')]
             .filter((a) => a.getBoundingClientRect().height < 44).map((a) => a.outerHTML)"""
    )
    assert low == [], "too small for a thumb"

    page = look(service, "/#/jobs", expected="status of 4")
    jobs = page.locator("ol.jobs > li").filter(has_text="in north-bench")
    expect(jobs).to_have_count(2)
    expect(jobs.first).to_contain_text("Brought in, not watched here.")
    jobs.first.get_by_role("link").first.click()
    expect(page.locator(".place")).to_have_text("north-bench: brought in, not watched here")
    expect(page.get_by_text("compressor on").first).to_be_visible()
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
