"""Take the pictures of the report page that the guide shows: ``python docs/figures/photograph.py``.

Needs Chromium (see DEVELOPERS.md).
"""

import subprocess
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import sync_playwright

from scalemodel.cli.guide import write_demo

HERE = Path(__file__).parent
CHROMIUM = "/usr/bin/chromium"
FLAGS = ("--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run")
WIDE, TALL = 1200, 1000
#: Milliseconds until the page has drawn itself.
SETTLED = 800


def photograph(page_file: Path, folder: Path) -> None:
    """Take the first lines of a report and its what-if panel."""
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        page = browser.new_page(viewport={"width": WIDE, "height": TALL}, color_scheme="light")
        page.goto(page_file.as_uri())
        page.wait_for_timeout(SETTLED)
        below = page.locator("section").first.bounding_box()
        assert below is not None
        clip = {"x": 0, "y": 0, "width": WIDE, "height": int(below["y"]) - 20}
        page.screenshot(path=folder / "report.png", clip=clip)  # type: ignore[arg-type]
        page.locator("#what-if").screenshot(path=folder / "what-if.png")
        browser.close()


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as place:
        write_demo(Path(place) / "scalemodel-tour")
        words = ("report", "scalemodel-tour/bench", "--specs", "scalemodel-tour/specs.csv")
        command = [sys.executable, "-c", "from scalemodel.cli.main import run; run()"]
        subprocess.run([*command, *words, "-o", "report.html"], cwd=place, check=True)
        photograph(Path(place) / "report.html", HERE)
