"""An alarm's picture with the place marked, a person's word on it, and a job's stills."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Page, expect

from running import RunningService, wait_until
from smoke_seen import running_with_smoke

from .conftest import JOB, Look, chamber_files, until

ENOUGH_S = 60.0
WIDTHS = pytest.mark.parametrize("width_px", [390, 1280])


@pytest.fixture(scope="module")
def smoky(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningService]:
    """A job runs, its height is told, and the camera takes something for smoke."""
    folder = tmp_path_factory.mktemp("smoky")
    slow = JOB.replace("build_s = 7200", "build_s = 720_000")  # its own next layer is far off
    assert slow != JOB
    chamber = chamber_files(folder, slow, frames_per_s=4)
    with running_with_smoke(folder / "data", "--chamber", str(chamber)) as running:

        def job() -> str | None:
            told = running.now()["job"]
            return told["id"] if told else None

        name = wait_until(job, within_s=ENOUGH_S)
        seen: set[bytes] = set()

        def gives_pictures() -> bool:
            answer = running.web.get("/api/picture")
            seen.update([answer.content] if answer.is_success else [])
            return len(seen) > 1  # the first of them lies where stills are taken from

        wait_until(gives_pictures, within_s=ENOUGH_S)
        for number, height_mm in enumerate((0.3, 7.0, 8.2), start=1):
            running.post(f"/api/jobs/{name}/progress", {"height_mm": height_mm})
            path = f"/api/jobs/{name}/pictures"
            wait_until(
                lambda path=path, most=number: len(running.get(path)["items"]) >= most,  # type: ignore[misc]
                within_s=ENOUGH_S,
            )
        wait_until(lambda: _has_after(running), within_s=ENOUGH_S)
        yield running


def _has_after(running: RunningService) -> bool:
    for change in running.events(kind="smoke"):
        items = running.get(f"/api/events/{change['event']}/pictures")["items"]
        if any(item["offset_s"] == 10.0 for item in items):
            return True
    return False


def _smoke(running: RunningService) -> int:
    (number,) = {a["event"] for a in running.now()["alarms"] if a["kind"] == "smoke"}
    return int(number)


def no_sideways(page: Page) -> None:
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), "no way sideways"


@WIDTHS
def test_an_alarm_of_smoke_shows_its_place_and_what_was_seen(
    smoky: RunningService, look: Look, width_px: int
) -> None:
    page = look(smoky, width_px=width_px)
    alarm = page.locator(".stands.alarm", has_text="moke").first
    picture = alarm.locator(".kept img")
    expect(picture).to_be_visible()
    until(page, "document.querySelector('.stands .kept img').naturalWidth > 100")
    box = picture.bounding_box()
    assert box is not None
    assert box["width"] >= min(300, width_px / 2)
    shape = picture.evaluate("picture => picture.naturalWidth / picture.naturalHeight")
    assert box["width"] / box["height"] == pytest.approx(shape, rel=0.05), "no bars beside it"
    expect(alarm.locator("figcaption")).to_contain_text("outlined in red")
    expect(alarm.locator("figcaption")).to_contain_text("Simulated: nothing here is real.")
    expect(alarm).to_contain_text(
        "A veil as of smoke over up to 6.0 % of the picture; at most 62 % sure."
    )
    no_sideways(page)
    before = picture.get_attribute("src")
    alarm.get_by_role("button", name="10 s after").focus()
    page.keyboard.press("Enter")
    expect(picture).not_to_have_attribute("src", before or "")
    expect(alarm.locator("figcaption")).to_contain_text("10 s after it was known")
    for button in alarm.locator(".moments button").all():
        size = button.bounding_box()
        assert size is not None and size["height"] >= 44, "no less than a thumb"


@WIDTHS
def test_who_says_it_was_nothing_reads_what_would_have_ignored_it(
    smoky: RunningService, look: Look, width_px: int
) -> None:
    page, other = look(smoky, width_px=width_px), look(smoky)
    alarm = page.locator(".stands.alarm", has_text="moke").first
    expect(alarm).to_contain_text("Look first: after “It was nothing” the camera takes")
    alarm.get_by_role("button", name="It was nothing").click()
    answer = alarm.locator(".would-ignore")
    expect(answer).to_contain_text("camera.smoke_from = 0.65 would have ignored it")
    expect(answer).to_contain_text("by camera.ignore")
    expect(answer).to_contain_text("This hides a real fire there just as well")
    expect(alarm.locator(".judged")).to_contain_text("It was nothing, said this computer")
    expect(alarm).to_contain_text("Danger: ")  # it stands as it did
    no_sideways(page)
    there = other.locator(".stands.alarm", has_text="moke").first
    expect(there.locator(".judged")).to_contain_text("It was nothing")
    answers = alarm.locator(".evidence .acts button")
    expect(answers).to_have_text(["It is still nothing", "It was something after all"])
    first = wait_until(
        lambda: smoky.get(f"/api/events/{_smoke(smoky)}/evidence")["judged"], within_s=ENOUGH_S
    )["at"]
    answers.first.click()
    wait_until(
        lambda: smoky.get(f"/api/events/{_smoke(smoky)}/evidence")["judged"]["at"] > first,
        within_s=ENOUGH_S,
    )
    answers.last.click()
    expect(alarm.locator(".would-ignore")).to_have_count(0)
    expect(alarm.get_by_role("button", name="It was nothing")).to_be_visible()


def test_the_story_of_an_event_unfolds_to_its_picture(smoky: RunningService, look: Look) -> None:
    page = look(smoky)
    line = page.locator(".stories li:has(summary)", has_text="moke").first
    expect(line.locator(".kept")).to_have_count(0)
    line.locator("summary").focus()
    page.keyboard.press("Enter")
    expect(line.locator(".kept img")).to_be_visible()
    no_sideways(page)


@WIDTHS
def test_a_job_s_stills_are_looked_through_by_keyboard(
    smoky: RunningService, look: Look, width_px: int
) -> None:
    job = smoky.now()["job"]["id"]
    page = look(smoky, f"/#/jobs/{job}?open=pictures", width_px=width_px)
    part = page.locator(".stills")
    expect(part.locator("figcaption")).to_contain_text("At 8.2")
    part.get_by_role("button", name="Earlier").focus()
    page.keyboard.press("Enter")
    expect(part.locator("figcaption")).to_contain_text("At 7.0")
    page.keyboard.press("Enter")
    expect(part.locator("figcaption")).to_contain_text("At first layer, 0.3")
    page.keyboard.press("Enter")
    expect(part.locator("figcaption")).to_contain_text("At first layer, 0.3")
    part.locator("select").select_option(index=1)
    expect(part.locator("figcaption")).to_contain_text("At 7.0")
    expect(part.locator("figcaption")).to_contain_text("Simulated: nothing here is real.")
    until(page, "document.querySelector('.stills img').naturalWidth > 100")
    no_sideways(page)


def test_beside_the_picture_stands_what_no_camera_is(smoky: RunningService, look: Look) -> None:
    page = look(smoky)
    expect(page.locator(".picture")).to_contain_text("never in its place")


def test_every_view_that_is_unfit_has_its_words(smoky: RunningService, look: Look) -> None:
    page = look(smoky)
    worded = page.evaluate(
        "import('/web/js/strings.js').then(({ S }) => Object.keys(S.picture.condition))"
    )
    from stillair.model import CameraCondition

    told_apart = {
        CameraCondition.FIT,
        CameraCondition.PAUSED,
    }  # what a person asked for is no fault
    assert set(worded) == {c.value for c in set(CameraCondition) - told_apart}


@pytest.mark.parametrize(
    ("coming", "said"),
    [(False, "No picture of it was kept."), (True, "The picture of it is being kept")],
)
def test_an_event_without_pictures_says_whether_one_comes(
    smoky: RunningService, look: Look, coming: bool, said: str
) -> None:
    page = look(smoky)
    none: dict[str, object] = {
        "saw": "",
        "signs": [],
        "pictures": [],
        "judged": None,
        "settings": [],
    }
    page.route("**/evidence?*", lambda route: route.fulfill(json={**none, "coming": coming}))
    page.reload()
    alarm = page.locator(".stands.alarm", has_text="moke").first
    expect(alarm).to_contain_text(said)


APART = """async ({ alarms, kept }) => {
  const { Alarms } = await import("/web/js/alarms.js");
  const { html } = await import("/web/js/html.js");
  const { render } = await import("/web/vendor/preact.js");
  const fetched = window.fetch;
  window.fetch = async (path, ...more) =>
    String(path).includes("/evidence") ? Response.json(kept) : fetched(path, ...more);
  const chamber = { chamber: "x", at: "2026-11-24T10:01:00Z", stories: [], sentence: "", sub: "",
    camera: { watched: true }, alarms: alarms.map((changed, i) => ({
      id: `x-${i}`, event: i + 1, class: "alarm", kind: "smoke", priority: "critical",
      suppression: "none", condition: true, annunciation: "acknowledged", text: "It is so.",
      acknowledged_by: "this computer", raised_at: "2026-11-24T10:00:00Z",
      began_at: "2026-11-24T10:00:00Z", shelved_until: null,
      ...changed,
    })) };
  const place = document.createElement("div");
  place.id = "apart";
  document.querySelector("main").prepend(place);
  render(html`<${Alarms} chamber=${chamber} unit="c" may=${true} />`, place);
}"""
WRONG: dict[str, object] = {
    "saw": "",
    "signs": [{"sign": "smoke"}],
    "pictures": [],
    "coming": False,
    "judged": {"false": True, "note": "", "by": "cox", "at": "2026-11-24T10:00:30Z"},
    "settings": [],
    "warning": "",
}


@pytest.mark.parametrize(
    ("alarm", "signs", "buttons", "warned"),
    [
        pytest.param({}, ["smoke"], 2, 1, id="smoke that stands"),
        pytest.param({"kind": "flame"}, ["flame"], 2, 0, id="flame that stands"),
        pytest.param(
            {"condition": False, "annunciation": "latched_acknowledged"},
            ["smoke"],
            1,
            0,
            id="smoke that is over",
        ),
    ],
)
def test_after_nothing_both_words_are_offered_while_it_stands(
    smoky: RunningService,
    look: Look,
    alarm: dict[str, object],
    signs: list[str],
    buttons: int,
    warned: int,
) -> None:
    page = look(smoky)
    page.locator(".sentence").wait_for()
    kept = {**WRONG, "signs": [{"sign": sign} for sign in signs]}
    page.evaluate(APART, {"alarms": [alarm], "kept": kept})
    said = ["It is still nothing", "It was something after all"][-buttons:]
    part = page.locator("#apart .evidence")
    expect(part.locator(".acts button")).to_have_text(said)
    expect(part.get_by_text("takes what it sees for the scene")).to_have_count(warned)


def test_of_several_dangers_one_picture_stands_open(smoky: RunningService, look: Look) -> None:
    page = look(smoky)
    page.locator(".sentence").wait_for()
    over = {"kind": "fire", "condition": False, "annunciation": "latched_acknowledged"}
    heat = {"kind": "attendance_overdue", "class": "supervisory", "priority": "high"}
    alarms = [over, {"priority": "high"}, {"kind": "flame"}, heat]
    page.evaluate(APART, {"alarms": alarms, "kept": WRONG})
    part = page.locator("#apart")
    expect(part.locator(".evidence")).to_have_count(1)
    expect(part.locator("[data-alarm='x-2'] > .evidence")).to_have_count(1)
    folds = part.locator(".evidence-fold summary")
    expect(folds).to_have_count(2)
    folds.first.focus()
    page.keyboard.press("Enter")
    expect(part.locator("[data-alarm='x-0'] .evidence")).to_be_visible()
