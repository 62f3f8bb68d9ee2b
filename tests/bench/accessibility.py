"""The report's page under axe-core, the rule engine for WCAG, in a headless Chromium.

    python tests/bench/accessibility.py [--axe axe.min.js] [PAGE.html ...]

Without a page: the made campaign of the report's tests with sound, pictures and photographs, reported now; at
1280 and at 390 px. Without --axe the package is fetched by npm into a temporary folder. Exit 1 when a rule of
WCAG 2.0 to 2.2, A or AA, or a best practice is violated; "incomplete" is what a person must look at.
"""

import argparse
import html
import json
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from report_campaign import make_campaign

from logger_app.workflows.report import write_report

AXE = "axe-core@4.14.1"
WIDTHS = (1280, 390)
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
RUN = """<script>
document.querySelectorAll("details").forEach(d => d.open = true);
axe.run(document).then(found => {
  const short = one => ({id: one.id, impact: one.impact, help: one.help, nodes: one.nodes.map(n => n.html.slice(0, 160))});
  document.documentElement.dataset.axe = JSON.stringify({
    violations: found.violations.map(short), incomplete: found.incomplete.map(short), passes: found.passes.length});
});
</script></body>"""


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("pages", nargs="*", type=Path)
    parser.add_argument("--axe", type=Path, help="axe.min.js (default: fetched by npm)")
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        work = Path(name)
        script = args.axe or fetched(work)
        pages = args.pages or [made(work)]
        found = {
            f"{page}, {width} px": looked_at(page, width, script.read_text("utf-8"), work)
            for page in pages
            for width in WIDTHS
        }
    if args.json:
        print(json.dumps(found, indent=1))
    else:
        for where, result in found.items():
            print(
                f"{where}: {len(result['violations'])} violations, {len(result['incomplete'])} incomplete, {result['passes']} rules passed"
            )
            for one in (*result["violations"], *result["incomplete"]):
                print(
                    f"  {one['id']} ({one['impact']}): {one['help']}; {len(one['nodes'])} places, first {one['nodes'][0]}"
                )
    return 1 if any(result["violations"] for result in found.values()) else 0


def fetched(work: Path) -> Path:
    subprocess.run(["npm", "install", "--silent", "--no-audit", "--prefix", str(work), AXE], check=True)
    return work / "node_modules" / "axe-core" / "axe.min.js"


def made(work: Path) -> Path:
    from PIL import Image

    folder = make_campaign(work / "campaign")
    (folder / "photos" / "cuffs").mkdir(parents=True)
    Image.new("RGB", (300, 200), "grey").save(folder / "photos" / "cuffs" / "left.jpg")
    return write_report(folder, work / "report")


def looked_at(page: Path, width: int, axe: str, work: Path) -> dict:
    """What axe finds on a copy of the page that may run it: without its content policy."""
    text = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", page.read_text("utf-8"))
    copy = work / "looked_at.html"
    copy.write_text(text.replace("</body>", f"<script>{axe}</script>{RUN}"), encoding="utf-8")
    ran = subprocess.run(
        [
            CHROMIUM,
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            f"--user-data-dir={work / 'profile'}",
            f"--window-size={width},900",
            "--virtual-time-budget=120000",
            "--dump-dom",
            copy.as_uri(),
        ],
        capture_output=True,
        timeout=300,
        check=True,
    )
    said = re.search(r'data-axe="([^"]*)"', ran.stdout.decode("utf-8"))
    if said is None:
        raise RuntimeError("axe gave no answer; was the page too large for the time given?")
    return json.loads(html.unescape(said[1]))


if __name__ == "__main__":
    sys.exit(main())
