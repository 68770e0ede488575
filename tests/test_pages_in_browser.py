"""Pages as a browser shows them: wide, narrow, dark and printed; skipped where there is none."""

import json
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from echotrace.cli import main

ROOT = Path(__file__).resolve().parents[1]
TRACES = ROOT / "synthetic_traces"
BROWSER = next(
    (found for name in ("chromium", "chromium-browser", "google-chrome", "chrome")
     if (found := shutil.which(name))), None,
)  # fmt: skip

pytestmark = pytest.mark.skipif(BROWSER is None, reason="no Chromium is installed here")

# The page in a frame of the width wanted: what stands out of it, and how it looks, as the title.
HARNESS = """<!doctype html><meta charset="utf-8"><iframe id="f" style="border:0;width:{width}px;
height:2000px"></iframe><script>
const page = {page};
const frame = document.getElementById("f");
frame.onload = () => {{
  const doc = frame.contentDocument, view = frame.contentWindow;
  const out = [...doc.body.querySelectorAll("*")].filter(
    e => !e.closest(".scroll table, svg *, details > *:not(summary)")
      && e.getBoundingClientRect().right > {width} + 1);
  const letters = [...doc.querySelectorAll("figure svg text")].map(e => {{
    const m = e.getScreenCTM();
    return parseFloat(view.getComputedStyle(e).fontSize) * Math.hypot(m.a, m.b);
  }});
  document.title = JSON.stringify({{
    out: out.map(e => e.tagName + " " + (e.textContent || "").trim().slice(0, 40)),
    scroll: doc.documentElement.scrollWidth,
    paper: view.getComputedStyle(doc.body).backgroundColor,
    least: letters.length ? Math.min(...letters) : null,
    answer: (doc.querySelector(".big") || doc.body).getBoundingClientRect().top,
  }});
}};
frame.srcdoc = page;
</script>"""


def browser(tmp_path, *words):
    return subprocess.run(
        [BROWSER, "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run",
         f"--user-data-dir={tmp_path / 'profile'}", *words],
        capture_output=True, text=True, check=True, timeout=120,
    )  # fmt: skip


def seen(tmp_path, page, width, *words):
    harness = tmp_path / "harness.html"
    text = json.dumps(page.read_text("utf-8")).replace("</script", "<\\/script")
    harness.write_text(HARNESS.format(width=width, page=text), "utf-8")
    done = browser(
        tmp_path, "--enable-logging=stderr", "--virtual-time-budget=5000",
        "--window-size=1300,2100", "--dump-dom", *words, harness.as_uri(),
    )  # fmt: skip
    title = re.search(r"<title>(.*?)</title>", done.stdout, re.S)
    assert title, done.stderr
    found = json.loads(title[1].replace("&amp;", "&").replace("&lt;", "<").replace("&gt;", ">"))
    return found | {"console": [x for x in done.stderr.splitlines() if "CONSOLE" in x]}


def pages_printed(tmp_path, page):
    out = tmp_path / "page.pdf"
    browser(tmp_path, "--no-pdf-header-footer", f"--print-to-pdf={out}", page.as_uri())
    return len(re.findall(rb"/Type\s*/Page[^s]", out.read_bytes()))


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pages")
    sitting, lengths = TRACES / "immersion_sitting.h5", folder / "measured.h5"
    made = {name: folder / f"{name}.html" for name in ("measured", "power", "compare")}
    assert (
        main(["measure", str(sitting), "-o", str(lengths), "--report", str(made["measured"])]) == 0
    )
    words = ["--k1", "43.50", "--k2", "44.25", "--constant", "srk_t=118.4", "--target", "-0.25"]
    words += ["--eye", "right", "--history", "none", "--report", str(made["power"])]
    assert main(["power", str(lengths), *words]) == 0
    rows = ["subject,eye,method,operator,sitting,order,axial_length_mm"]
    for subject in range(12):
        for k, method in enumerate(("contact", "immersion")):
            for order in range(3):
                wobble = 0.01 * ((7 * subject + 3 * order + 5 * k) % 11 - 5)
                length = 22.5 + 0.2 * subject + 0.1 * k + wobble
                rows.append(f"s{subject},right,{method},a,1,{order + 1},{length:.3f}")
    table = folder / "lengths.csv"
    table.write_text("\n".join(rows) + "\n", "utf-8")
    assert main(["compare", str(table), "--margin", "0.2", "--report", str(made["compare"])]) == 0
    return made


@pytest.mark.parametrize("name", ["measured", "power", "compare"])
@pytest.mark.parametrize("width", [420, 1200])
@pytest.mark.parametrize("dark", [False, True])
def test_nothing_stands_out_and_nothing_complains(pages, name, width, dark, tmp_path):
    scheme = [f"--blink-settings=preferredColorScheme={0 if dark else 1}"]
    found = seen(tmp_path, pages[name], width, *scheme)
    assert found["out"] == []
    assert found["scroll"] <= width
    assert found["console"] == []
    level = sum(int(x) for x in re.findall(r"\d+", found["paper"])[:3]) / 3
    assert level < 60 if dark else level > 230


def test_the_measured_page_is_read_on_a_narrow_screen_and_printed_on_three_pages(pages, tmp_path):
    found = seen(tmp_path, pages["measured"], 420)
    assert found["least"] >= 8.0
    assert found["answer"] < 700
    assert pages_printed(tmp_path, pages["measured"]) <= 3


def test_the_page_of_a_comparison_is_printed_on_four_pages(pages, tmp_path):
    assert pages_printed(tmp_path, pages["compare"]) <= 4


def test_the_check_fails_on_a_page_that_is_too_wide(tmp_path):
    page = tmp_path / "wide.html"
    page.write_text(
        "<!doctype html><body><p style='width:900px'>x</p><script>console.error('no')</script>",
        "utf-8",
    )
    found = seen(tmp_path, page, 420)
    assert found["out"] == ["P x"]
    assert found["scroll"] > 420
    assert found["console"]
