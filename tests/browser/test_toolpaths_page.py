"""Toolpaths on the page: sent by a person, read, looked at layer by layer, given to a job."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from playwright.sync_api import Page, expect

from running import wait_until
from stillair.simulation.toolpaths import BUSHING, Build, toolpath_lines

from .conftest import Look, Serve

NAME = "oarlock bushings.gcode"
READING_MS = 60_000


def written(folder: Path, name: str, text: str) -> Path:
    path = folder / name
    path.write_text(text)
    return path


def bushings() -> str:
    places = ((60.0, 60.0), (100.0, 60.0))
    return "".join(toolpath_lines(Build(replace(BUSHING, height_mm=12.0), places=places)))


def send(page: Page, path: Path) -> None:
    page.get_by_label("The file with the machine's G-code").set_input_files(path)
    page.get_by_role("button", name="Send it").click()


def test_a_toolpath_is_sent_read_and_given_to_a_job(
    serve: Serve, look: Look, tmp_path: Path
) -> None:
    service = serve()
    page = look(service, "/#/jobs")
    page.get_by_role("link", name="Toolpaths").click()
    expect(page.get_by_text("None has been given yet.")).to_be_visible()
    page.get_by_role("button", name="Send it").click()
    expect(page.get_by_role("alert")).to_contain_text("Choose a file first.")
    send(page, written(tmp_path, NAME, bushings()))
    entry = page.locator(".jobs li").filter(has_text=NAME)
    expect(entry).to_contain_text("60 layers, 12\u00a0mm high", timeout=READING_MS)
    expect(entry).to_contain_text("nozzle 250.0\u00a0°C, after the first layer 245.0\u00a0°C")

    entry.get_by_role("button", name="Layers").click()
    expect(entry.get_by_text("Layer 1 of 60")).to_be_visible()
    entry.get_by_label("Height in mm").fill("6,05")
    expect(entry.get_by_text("Layer 31 of 60")).to_be_visible()
    expect(entry.locator(".from-above rect").first).to_be_visible()
    ruler = entry.locator(".layers-ruler")
    box = ruler.bounding_box()
    assert box is not None
    ruler.click(position={"x": box["width"] / 2, "y": box["height"] * 0.02})
    expect(entry.get_by_text("Layer 60 of 60")).to_be_visible()

    job = str(service.post("/api/jobs", {"name": "Two oarlock bushings"})["id"])
    page = look(service, f"/#/jobs/{job}?open=toolpath")
    choice = page.get_by_label("The job follows")
    choice.select_option(index=1)
    page.locator(".of-toolpath summary").filter(has_text="layers of").click()
    expect(page.locator(".of-toolpath").get_by_text("Layer 1 of 60")).to_be_visible()
    wait_until(lambda: service.get(f"/api/jobs/{job}")["toolpath"], within_s=60)
    page.reload()
    expect(page.get_by_label("The job follows").locator("option:checked")).to_contain_text(NAME)
    service.post(f"/api/jobs/{job}/finish", {})
    expect(page.get_by_label("The job followed").locator("option:checked")).to_contain_text(NAME)

    page.get_by_role("link", name="All toolpaths").click()
    entry = page.locator(".jobs li").filter(has_text=NAME)
    expect(entry).to_contain_text("One job followed it")
    expect(entry).to_contain_text(f"{job}.")
    expect(entry.get_by_role("button", name="Remove")).to_have_count(0)
    service.post(f"/api/jobs/{job}/toolpath", {"toolpath": None})
    page.reload()
    entry.get_by_role("button", name="Remove").click()
    entry.get_by_role("button", name="Yes, remove").click()
    expect(page.get_by_text("None has been given yet.")).to_be_visible()


def test_why_a_file_is_refused_stands_with_its_line(
    serve: Serve, look: Look, tmp_path: Path
) -> None:
    service = serve()
    page = look(service, "/#/toolpaths", width_px=360)
    send(page, written(tmp_path, "half.gcode", "G1 X10 E1\nG1 X20 <b>E2</b>\n"))
    refused = page.locator(".jobs li .refused")
    expect(refused).to_contain_text("It can't be read. Line 2: ", timeout=READING_MS)
    expect(refused).to_contain_text("'<' is no part of a toolpath's line")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_a_look_before_starting_says_what_would_help(
    serve: Serve, look: Look, tmp_path: Path
) -> None:
    service = serve()
    page = look(service, "/#/toolpaths", width_px=360)
    one = "".join(toolpath_lines(Build(replace(BUSHING, height_mm=20.0))))
    send(page, written(tmp_path, NAME, one))
    entry = page.locator(".jobs li").filter(has_text=NAME).first
    expect(entry).to_contain_text("100 layers", timeout=READING_MS)
    entry.get_by_role("button", name="Look before starting").click()
    entry.get_by_label("The material that is loaded").fill("PC")
    entry.get_by_role("button", name="Look", exact=True).click()
    remarks = entry.locator(".remarks > li")
    nozzle = remarks.filter(has_text="The nozzle is set to")
    expect(nozzle).to_contain_text("usual for PC", timeout=READING_MS)
    expect(nozzle).to_contain_text("What would help:")
    entry.get_by_label("The material that is loaded").fill("PETG")
    entry.get_by_role("button", name="Look", exact=True).click()
    soft = remarks.filter(has_text="PETG is not firm there")
    expect(soft).to_contain_text("No layer in less than", timeout=READING_MS)
    expect(soft).to_contain_text("At ")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")

    entry.get_by_role("button", name="Start a job with this toolpath").click()
    expect(entry.get_by_label("What is being built")).to_have_value("oarlock bushings")
    entry.get_by_role("button", name="It begins now").click()
    expect(page.get_by_label("The job follows").locator("option:checked")).to_contain_text(NAME)
    service.post(f"/api/jobs/{service.now()['job']['id']}/finish", {})
    page = look(service)
    page.get_by_role("button", name="Start a job").click()
    choice = page.get_by_label("Toolpath")
    expect(choice.locator("option")).to_have_count(2)
    choice.select_option(index=1)
    page.get_by_label("What is being built").fill("Fin box")
    page.get_by_role("button", name="It begins now").click()
    part = page.locator(".job")
    laid = "By its toolpath nothing is being laid at this moment."
    expect(part).to_contain_text(laid, timeout=READING_MS)
    job = service.now()["job"]["id"]
    wait_until(lambda: service.get(f"/api/jobs/{job}")["toolpath"], within_s=60)
