"""Photographs of a job over HTTP: sent, seen, bounded, refused, removed."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import cv2
import httpx
import numpy as np
import pytest

from integration.test_job_logs import CHAMBER, IDLE, begun
from running import RunningService, wait_until
from stillair.media.photographs import MOST_BYTES
from stillair.runtime.photographs import MOST_PHOTOGRAPHS

JPEG = {"content-type": "image/jpeg"}


def encoded(form: str = ".jpg", width_px: int = 320) -> bytes:
    picture = np.full((240, width_px, 3), 90, np.uint8)
    done, data = cv2.imencode(form, picture)
    assert done
    return bytes(data)


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningService]:
    folder = tmp_path_factory.mktemp("photographs")
    (folder / "chamber.toml").write_text(CHAMBER)
    (folder / "idle.toml").write_text(IDLE)
    with RunningService(folder / "data", "--chamber", str(folder / "chamber.toml")) as running:
        yield running


def send(
    service: RunningService, job: str, data: bytes, form: str = "image/jpeg"
) -> httpx.Response:
    return service.web.post(
        f"/api/jobs/{job}/photographs", content=data, headers={"content-type": form}
    )


def listed(service: RunningService, job: str) -> list[str]:
    return [item["id"] for item in service.get(f"/api/jobs/{job}/photographs")["items"]]


def files(service: RunningService) -> set[str]:
    folder: Path = service.folder / "pictures"
    return {path.stem for path in folder.glob("*.jpg")}


def test_photographs_are_kept_over_a_restart_and_removed(service: RunningService) -> None:
    job = begun(service)
    made = [
        send(service, job, encoded(end), form)
        for end, form in ((".jpg", "image/jpeg"), (".png", "image/png"), (".webp", "image/webp"))
    ]
    assert [answer.status_code for answer in made] == [201] * 3, [a.text for a in made]
    ids = [answer.json()["id"] for answer in made]
    (first, *_) = service.get(f"/api/jobs/{job}/photographs")["items"]
    assert (first["part"], first["job"], first["by"]) == ("photograph", job, "this computer")
    assert service.get(f"/api/jobs/{job}/pictures")["items"] == [], "they are no stills"

    service.stop()
    service.start()
    assert listed(service, job) == ids
    seen = service.web.get(f"/api/pictures/{ids[1]}")
    assert seen.headers["content-type"] == "image/jpeg"
    picture = cv2.imdecode(np.frombuffer(seen.content, np.uint8), cv2.IMREAD_COLOR)
    assert picture is not None
    assert picture.shape == (240, 320, 3)

    path = f"/api/jobs/{job}/photographs/{ids[1]}"
    assert service.web.delete(path).status_code == 200
    assert service.web.delete(path).status_code == 404
    assert service.web.get(f"/api/pictures/{ids[1]}").status_code == 404
    assert files(service) == {ids[0], ids[2]}
    other = begun(service)
    assert service.web.delete(f"/api/jobs/{other}/photographs/{ids[0]}").status_code == 404
    assert service.web.delete(f"/api/jobs/{job}/pictures").status_code == 200
    assert listed(service, job) == []
    assert files(service) == set()


def test_photographs_go_with_their_job(service: RunningService) -> None:
    job = begun(service)
    kept = send(service, job, encoded()).json()["id"]
    assert kept in files(service)
    service.post(f"/api/jobs/{job}/finish")
    wait_until(lambda: service.web.delete(f"/api/jobs/{job}").status_code == 200, within_s=60)
    assert kept not in files(service)


def test_a_job_has_so_many_photographs_and_no_more(service: RunningService) -> None:
    job = begun(service)
    data = encoded(width_px=64)
    for _ in range(MOST_PHOTOGRAPHS):
        assert send(service, job, data).status_code == 201
    refused = send(service, job, data)
    assert refused.status_code == 409
    assert "at most 20 photographs; remove one first" in refused.json()["detail"]
    service.web.delete(f"/api/jobs/{job}/photographs/{listed(service, job)[0]}")
    assert send(service, job, data).status_code == 201


@pytest.mark.parametrize(
    ("data", "form", "status", "says"),
    [
        pytest.param(b"hello", "image/jpeg", 422, "no picture in JPEG", id="no picture"),
        pytest.param(b"", "image/png", 422, "no picture in JPEG", id="nothing"),
        pytest.param(encoded(), "application/json", 415, "the picture itself", id="as JSON"),
        pytest.param(encoded(), "text/plain", 415, "image/jpeg or", id="as a form sends it"),
        pytest.param(bytes(MOST_BYTES + 1), "image/jpeg", 413, "at most 12 MB", id="too large"),
    ],
)
def test_what_is_no_photograph_is_refused(
    service: RunningService, data: bytes, form: str, status: int, says: str
) -> None:
    job = begun(service)
    answer = send(service, job, data, form)
    assert answer.status_code == status, answer.text
    assert says in answer.json()["detail"]
    assert listed(service, job) == []


def test_a_body_that_says_no_length_is_bounded_too(service: RunningService) -> None:
    job = begun(service)
    blocks = (bytes(1_000_000) for _ in range(40))
    try:
        answer = service.web.post(f"/api/jobs/{job}/photographs", content=blocks, headers={**JPEG})
    except httpx.WriteError:
        pass  # refused, and the rest not even read
    else:
        assert answer.status_code == 413
    assert listed(service, job) == []


def test_a_photograph_of_no_job_is_refused(service: RunningService) -> None:
    assert send(service, "north-bench-99", encoded()).status_code == 404
    assert service.web.get("/api/jobs/north-bench-99/photographs").status_code == 404
