"""What Lighthouse, a page reviewer of the browser's makers, says of the pages.

    .venv/bin/python tests/bench/lighthouse.py [ADDRESS] [--page jobs] [--times 3] [--json]

Asks a service that runs already, at its address (http://127.0.0.1:8420); without one, a real
`stillair run` is begun over a simulated chamber with a job of some hours. The reviewer comes from
the registry by `npm exec`, in the version that is named here, and looks with Debian's Chromium, as
a telephone in a slow network would. It reckons with what the processor took, so other work on the
computer makes every page worse: the load is told with the figures, and of several times the middle
counts.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from statistics import median

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT / "service")]
os.environ["PYTHONPATH"] = str(ROOT / "service")

import httpx  # noqa: E402 - paths first

from bench.figures import Figure, show  # noqa: E402
from bench.look_back import make  # noqa: E402
from running import RunningService  # noqa: E402

LIGHTHOUSE = "lighthouse@12.2.3"
CHROMIUM = "/usr/bin/chromium"
PAGES = {
    "first": "/",
    "jobs": "/#/jobs",
    "job": "/#/jobs/{job}",
    "people": "/#/people",
    "setting-up": "/#/setting-up",
}
KINDS = ("performance", "accessibility", "best-practices", "seo")
WAIT_S = 240.0


def reviewed(address: str, *, faults: bool) -> dict[str, float]:
    """The scores of one page, 0 to 100; what cost some of them is told on standard error."""
    with tempfile.TemporaryDirectory() as folder:
        to = Path(folder) / "told.json"
        words = (
            *("npm", "exec", "--yes", LIGHTHOUSE, "--", address),
            *("--output=json", f"--output-path={to}", "--quiet"),
            f"--only-categories={','.join(KINDS)}",
            "--chrome-flags=--headless=new --no-sandbox --disable-gpu",
        )
        for again in (True, False):  # of a browser that starts too slowly it sometimes sees nothing
            done = subprocess.run(
                words,
                check=not again,
                timeout=WAIT_S,
                cwd=folder,
                env={**os.environ, "CHROME_PATH": CHROMIUM, "npm_config_update_notifier": "false"},
                stdout=sys.stderr,
            )
            if done.returncode == 0:
                break
        told = json.loads(to.read_text())
    if faults:
        for kind in KINDS:
            for each in told["categories"][kind]["auditRefs"]:
                audit = told["audits"][each["id"]]
                if audit["score"] is not None and audit["score"] < 1 and each["weight"]:
                    value = audit.get("displayValue", "")
                    print(f"  {kind}: {audit['title']} ({value})", file=sys.stderr)
    return {kind: 100.0 * (told["categories"][kind]["score"] or 0.0) for kind in KINDS}


@contextmanager
def service() -> Iterator[tuple[str, str]]:
    """A running service of one's own: its address, and a job of it."""
    with tempfile.TemporaryDirectory() as name:
        job, chamber = make(Path(name), 4.0, 1)
        with RunningService(Path(name) / "data", "--chamber", str(chamber)) as running:
            yield f"http://127.0.0.1:{running.port}", job


def main() -> None:
    """Print the scores of each page."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("address", nargs="?")
    parser.add_argument("--page", choices=PAGES, action="append")
    parser.add_argument("--times", type=int, default=1, help="how often each page is looked at")
    parser.add_argument("--faults", action="store_true", help="what cost some of the scores")
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    with (
        contextmanager(lambda: iter([_known(given.address)]))() if given.address else service() as (
            address,
            job,
        )
    ):
        figures = []
        for page in given.page or PAGES:
            at = address + PAGES[page].format(job=job)
            told = [reviewed(at, faults=given.faults) for _ in range(given.times)]
            figures += [
                Figure(f"{page}: {kind}", median(each[kind] for each in told), "of 100")
                for kind in KINDS
            ]
        figures.append(Figure("load of this computer, over 5 min", os.getloadavg()[1], ""))
    show(figures, as_json=given.json)


def _known(address: str) -> tuple[str, str]:
    """That service, and its newest job."""
    items = httpx.get(f"{address}/api/jobs", params={"limit": 1000}).json()["items"]
    assert items, "it has no job to look at"
    return address, str(items[-1]["id"])


if __name__ == "__main__":
    main()
