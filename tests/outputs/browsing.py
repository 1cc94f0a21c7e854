"""Chromium with no network, a map open in it, and what the tests ask of the two."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job

#: The shell is Chromium without a window: the same engine, and a page opens in it in half the time.
CHROMIUM = shutil.which("chromium-headless-shell") or shutil.which("chromium")
FLAGS = ("--no-sandbox", "--disable-gpu", "--force-color-profile=srgb", "--font-render-hinting=none")
DESK, PHONE = {"width": 1400, "height": 900}, {"width": 390, "height": 844}
READY = "() => window.Geoqa && Geoqa.page"
#: Crews count their days in it; the occupations of `told` lie on other days there than in UTC.
ZONE = "Pacific/Auckland"
WAIT_MS = 20_000
#: WCAG 2.2, A and AA.
RULES = ("wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa")


@dataclass
class Sheet:
    """A map that is open: its page, what it asked for and what it complained of."""

    page: Any
    path: Path
    asked: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)

    def ask(self, program: str, given: Any = None) -> Any:
        return self.page.evaluate(program, given)

    def wait(self, condition: str, given: Any = None) -> None:
        self.page.wait_for_function(condition, arg=given)

    def frame(self) -> None:
        """Wait until what was changed is drawn."""
        self.ask("() => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(() => done())))")

    def drawn(self) -> dict[str, int]:
        self.frame()
        return self.ask("() => Geoqa.page.layer.drawn")

    def place(self, name: str) -> tuple[float, float]:
        """Return where the symbol of a point stands in the window."""
        return tuple(self.ask(
            """name => { const p = Geoqa.page, i = p.act.names().indexOf(name);
            const at = p.map.latLngToContainerPoint(p.layer.latLng(p.site, i)),
              box = p.map.getContainer().getBoundingClientRect();
            return [at.x + box.x, at.y + box.y]; }""",
            name,
        ))  # fmt: skip

    def click_point(self, name: str) -> None:
        self.page.mouse.click(*self.place(name))

    def near(self, name: str, zoom: float = 20) -> None:
        """Move to a point as a link would: without opening it."""
        self.ask(
            """([name, zoom]) => { const p = Geoqa.page;
            p.map.setView(p.layer.latLng(p.site, p.act.names().indexOf(name)), zoom, {animate: false}); }""",
            [name, zoom],
        )
        self.frame()

    def opened(self) -> str:
        """Return the name of the point whose detail is open, once the map has come to rest beneath it."""
        name = self.page.locator(".gq-detail h2").text_content(timeout=WAIT_MS)
        # While the map moves, a click may meet it where a button was.
        self.wait(
            "() => { const m = Geoqa.page.map; return !m._animatingZoom && !(m._panAnim && m._panAnim._inProgress); }"
        )
        return name

    def told(self) -> dict[str, str]:
        """Return the lines of the detail, by their names."""
        return dict(
            self.ask("""() => [...document.querySelectorAll('.gq-lines tr')].map(
            r => [r.querySelector('th').textContent, r.querySelector('td').textContent])""")
        )

    def rows(self, title: str) -> list[dict[str, str]]:
        """Return the rows of a table of the detail, each by its headings."""
        head, *rows = self.page.get_by_role("group", name=title).evaluate(
            "box => [...box.querySelectorAll('tr')].map(r => [...r.children].map(c => c.textContent))"
        )
        return [dict(zip(head, row, strict=True)) for row in rows]

    def in_view(self) -> dict[str, int]:
        """Return what the key says is in view, by status and by answer to delivery."""
        self.frame()
        said = self.ask("""() => [...document.querySelectorAll('[data-status], [data-deliver]')].map(
            b => [b.dataset.status || b.dataset.deliver, b.querySelector('.gq-here').textContent])""")
        return {name: int(re.fullmatch(r"([\d,]+) in view", text)[1].replace(",", "")) for name, text in said}

    def focus(self) -> str:
        """Return what has the focus: its text or name."""
        return self.ask("""() => { const e = document.activeElement;
            const label = e.labels && e.labels.length ? e.labels[0].textContent : '';
            const own = e.closest('[data-status], [data-deliver]');
            const named = e.getAttribute('aria-label') || (own && (own.dataset.status || own.dataset.deliver)) || label;
            return (named || e.innerText || e.tagName).trim(); }""")

    def colour(self, x: float, y: float) -> str:
        """Return the colour of the canvas at a place of its own."""
        red, green, blue = self.ask(
            """([x, y]) => { const c = document.createElement('canvas'); c.width = c.height = 1;
            const g = c.getContext('2d', {willReadFrequently: true}), from = document.querySelector('.gq-canvas');
            g.drawImage(from, x, y, 1, 1, 0, 0, 1, 1);
            return [...g.getImageData(0, 0, 1, 1).data].slice(0, 3); }""",
            [x, y],
        )
        return f"#{red:02x}{green:02x}{blue:02x}"

    def list_worst(self) -> Any:
        """Open the list of the worst; return its entries once it has them: it is filled after the click."""
        self.page.locator("summary", has_text="Worst first").click()
        entries = self.page.locator(".gq-worst > .gq-list button")
        entries.first.wait_for()
        return entries

    def announced(self) -> str:
        return self.page.locator(".gq-live").text_content()

    def remembered(self) -> str:
        """Return the end of the address once it stands still."""
        before, now = None, self.ask("() => location.hash")
        while now != before:
            # Longer than the page waits before it writes, and than a move of the map takes.
            self.page.wait_for_timeout(700)
            before, now = now, self.ask("() => location.hash")
        return now


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    """Debian's Chromium, driven through Playwright's own protocol; none is fetched."""
    if not CHROMIUM:
        pytest.skip("Chromium is not installed (Debian: chromium-headless-shell or chromium)")
    driver = pytest.importorskip("playwright.sync_api", reason="Playwright is not installed (geoqa-survey[test])")
    with driver.sync_playwright() as started:
        browser = started.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        yield browser
        browser.close()


@pytest.fixture
def open_map(chromium: Any) -> Iterator[Callable[..., Sheet]]:
    """Open a map of a file with no network; the test fails if any asks for more or complains."""
    sheets: list[Sheet] = []

    def opener(
        path: Path, address: str = "", before: str = "", ready: bool = True, complains: bool = False, **options: Any
    ) -> Sheet:
        own = {"viewport": DESK, "offline": True, "color_scheme": "light", **options}
        context = chromium.new_context(**own)
        context.set_default_timeout(WAIT_MS)
        if before:
            context.add_init_script(before)
        sheet = Sheet(context.new_page(), path)
        _watch(sheet, context, path.as_uri(), complains)
        sheets.append(sheet)
        sheet.page.goto(path.as_uri() + address)
        if ready:
            sheet.wait(READY)
            sheet.frame()
        return sheet

    yield opener
    for sheet in sheets:
        sheet.page.context.close()
    wrong = [f"asked for {url}" for sheet in sheets for url in sheet.asked]
    wrong += [text for sheet in sheets for text in sheet.complaints]
    if wrong:
        pytest.fail("\n".join(wrong))


@pytest.fixture(scope="session")
def pages(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str, Callable[[], str]], Path]:
    """Write a page once for all tests that open it."""
    folder = tmp_path_factory.mktemp("pages")

    def written(name: str, build: Callable[[], str]) -> Path:
        path = folder / f"{name}.html"
        if not path.exists():
            path.write_text(build(), encoding="utf-8")
        return path

    return written


@pytest.fixture
def site(frames: dict[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """The ordinary site, with all that its points are chosen and ranked by."""
    return told(frames)


@pytest.fixture
def site_map(pages: Any, make_page: Any, site: Any, job: Job) -> Path:
    return pages("ordinary", lambda: make_page(site, zoned(job)))


@pytest.fixture
def sheet(open_map: Callable[..., Sheet], site_map: Path) -> Sheet:
    """The ordinary site, open in a window as wide as a desk's."""
    return open_map(site_map)


def _watch(sheet: Sheet, context: Any, own: str, complains: bool) -> None:
    """Refuse and keep every request but for the file itself, and keep what the page complains of."""

    def answer(route: Any) -> None:
        if route.request.url.partition("#")[0] == own:
            route.continue_()
        else:
            route.abort()

    def asked(request: Any) -> None:
        # What the page itself made and saves is no request to anybody.
        if request.url.partition("#")[0] != own and not request.url.startswith("blob:"):
            sheet.asked.append(request.url)

    context.route("**/*", answer)
    context.on("request", asked)
    if not complains:
        sheet.page.on("console", lambda message: sheet.complaints.append(f"{message.type}: {message.text}"))
        sheet.page.on("pageerror", lambda error: sheet.complaints.append(str(error)))


def told(frames: dict[str, pd.DataFrame], words: tuple[str, ...] = ()) -> dict[str, pd.DataFrame]:
    """Return the frames with all that points are chosen and ranked by.

    Cover, role, base and crew take turns; some roles are missing, and some points were occupied twice from one
    base by one crew. A conflict has no risk. Roles without a word have no limit of the height, and two visits of a
    point may be no evidence: it has no closure then. `words` replaces the values.
    """
    points, occupations = frames["points"].copy(), frames["occupations"].copy()
    k, row = np.arange(len(points)), np.arange(len(occupations))
    cover, role, base, crew = (words or own for own in (
        ("open", "light", "dense"), ("boundary", "topo", None, "topo"), ("Spur", "Gate", "Gate"), ("Ana", "Bo")
    ))  # fmt: skip

    def turns(values: tuple[str | None, ...], at: Any) -> Any:
        return np.asarray(values, dtype=object)[at % len(values)]

    points["canopy"], points["role"] = turns(cover, k), turns(role, k)
    points["risk"] = np.where(points["status"] == "conflict", np.nan, ((k * 37) % 61 + 1) / 70)
    without = (k % 20 == 17) & (k > 40)
    points.loc[without, ["worst_horizontal_m", "worst_vertical_m"]] = np.nan
    judged = points["worst_horizontal_m"].notna()
    points["limit_h_m"] = np.where(judged, np.where(k % 3, 0.05, 0.03), np.nan)
    points["limit_v_m"] = np.where(judged & points["role"].notna(), 0.02, np.nan)
    points["excess"] = np.fmax(
        points["worst_horizontal_m"] / points["limit_h_m"], points["worst_vertical_m"] / points["limit_v_m"]
    )
    occupations["base"], occupations["operator"] = turns(base, row), turns(crew, row // 3)
    return {**frames, "points": points, "occupations": occupations}


def zoned(job: Job) -> Job:
    """Return the job with its crews' days."""
    return replace(job, input=replace(job.input, timezone=ZONE))


def by_facet(frames: dict[str, pd.DataFrame]) -> dict[str, dict[str, set[str]]]:
    """Return the points of each value of each facet, worked out from the frames alone."""
    points, occupations = frames["points"], frames["occupations"]
    day = occupations["start_utc"].dt.tz_convert(ZONE).dt.strftime("%Y-%m-%d")
    sources = {
        "Cover": (points["point"], points["canopy"]),
        "Role": (points["point"], points["role"]),
        "Base": (occupations["point"], occupations["base"]),
        f"Day, {ZONE}": (occupations["point"], day),
        "Crew": (occupations["point"], occupations["operator"]),
    }
    return {
        title: {str(value): set(names[values.fillna("not stated") == value]) for value in values.fillna("not stated")}
        for title, (names, values) in sources.items()
    }


def worst_first(points: pd.DataFrame) -> list[str]:
    """Return the names in order of need: by how far the worse axis is beyond its own limit, then by status."""
    ranks = {name: k for k, name in enumerate(("conflict", "loose", "unproven", "strained", "confirmed"))}

    def need(k: int) -> tuple[float, int]:
        row = points.iloc[k]
        parts = [
            row[f"worst_{word}_m"] / row[f"limit_{axis}_m"] for word, axis in (("horizontal", "h"), ("vertical", "v"))
        ]
        judged = [round(part, 4) for part in parts if part == part]
        return (-max(judged), 0) if judged else (1.0, ranks[row["status"]])

    return [str(points["point"].iloc[k]) for k in sorted(range(len(points)), key=need)]


def audit(sheet: Sheet) -> list[str]:
    """Return what axe finds serious or critical, a line each."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe-playwright-python is not installed")
    options = {"runOnly": {"type": "tag", "values": list(RULES)}, "resultTypes": ["violations"]}
    found = axe.Axe().run(sheet.page, options=options).response
    assert found["passes"]
    return [
        f"{v['id']}: {node['target']} {node['failureSummary']}"
        for v in found["violations"]
        if v["impact"] in ("serious", "critical")
        for node in v["nodes"]
    ]
