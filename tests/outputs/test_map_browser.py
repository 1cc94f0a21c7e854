"""The map in Chromium with no network: what is drawn, counted, clicked, and what hostile names cannot do."""

from __future__ import annotations

import base64
import json
import re
import shutil
from pathlib import Path

import pytest

from geoqa.core.schema import STATUSES
from geoqa.outputs.text import display_text

pytestmark = pytest.mark.browser

CHROMIUM, DRIVER = shutil.which("chromium"), shutil.which("chromedriver")
FLAGS = (
    "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--host-resolver-rules=MAP * ~NOTFOUND", "--window-size=1400,900",
)  # fmt: skip


class Browser:
    """Chromium, its requests and its console, with what the tests ask of a page."""

    def __init__(self, profile: Path) -> None:
        from selenium import webdriver
        from selenium.webdriver.chrome.options import Options
        from selenium.webdriver.chrome.service import Service

        options = Options()
        options.binary_location = CHROMIUM
        for flag in (*FLAGS, f"--user-data-dir={profile}"):
            options.add_argument(flag)
        options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
        self.driver = webdriver.Chrome(options=options, service=Service(DRIVER))
        self.command("Network.enable")
        offline = {"offline": True, "latency": 0, "downloadThroughput": -1, "uploadThroughput": -1}
        self.command("Network.emulateNetworkConditions", **offline)

    def command(self, name: str, **values):
        return self.driver.execute_cdp_cmd(name, values)

    def size(self, width: int, height: int, mobile: bool = False) -> None:
        self.command(
            "Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=mobile
        )

    def theme(self, name: str) -> None:
        self.command("Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": name}])

    def open(self, path: Path) -> None:
        self.driver.get_log("performance"), self.driver.get_log("browser")
        self.driver.get(path.as_uri())
        self.wait("window.Geoqa && Geoqa.page && Geoqa.page.layer.drawn.symbols > 0")

    def wait(self, condition: str) -> None:
        from selenium.webdriver.support.ui import WebDriverWait

        WebDriverWait(self.driver, 20).until(lambda d: d.execute_script(f"return !!({condition})"))

    def ask(self, program: str, *values):
        return self.driver.execute_script(f"return ({program})", *values)

    def requests(self) -> list[str]:
        events = [json.loads(entry["message"])["message"] for entry in self.driver.get_log("performance")]
        sent = [e["params"]["request"]["url"] for e in events if e["method"] == "Network.requestWillBeSent"]
        return [url for url in sent if not url.startswith("about:")]

    def console(self) -> list[str]:
        return [entry["message"] for entry in self.driver.get_log("browser")]

    def click_point(self, name: str) -> None:
        """Click the canvas where the symbol of a point stands, as a pointer does."""
        from selenium.webdriver.common.action_chains import ActionChains

        x, y = self.ask(
            """(name => { const p = Geoqa.page, d = p.layer.drawings[0], i = d.columns.label.indexOf(name);
            const at = p.map.latLngToContainerPoint(p.layer.latLng(d, i)),
              box = p.map.getContainer().getBoundingClientRect();
            return [Math.round(at.x + box.x), Math.round(at.y + box.y)]; })(arguments[0])""",
            name,
        )
        ActionChains(self.driver).w3c_actions.pointer_action.move_to_location(x, y)
        actions = ActionChains(self.driver)
        actions.w3c_actions.pointer_action.move_to_location(x, y)
        actions.w3c_actions.pointer_action.click()
        actions.perform()


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    if not (CHROMIUM and DRIVER):
        pytest.skip("Chromium or its driver is not installed (Debian: chromium, chromium-driver)")
    pytest.importorskip("selenium", reason="selenium is not installed (pip install geoqa-survey[test])")
    started = Browser(tmp_path_factory.mktemp("profile"))
    yield started
    started.driver.quit()


@pytest.fixture
def sheet(browser, make_page, frames, job, tmp_path):
    """The ordinary site, open in a window as wide as a desk's."""
    path = tmp_path / "map.html"
    path.write_text(make_page(frames, job), encoding="utf-8")
    browser.size(1400, 900)
    browser.theme("light")
    browser.open(path)
    return path


def test_nothing_but_the_file_is_asked_for_and_nothing_complains(browser, sheet):
    browser.click_point("KF121")
    browser.wait("document.querySelector('.gq-detail')")
    assert browser.requests() == [sheet.as_uri()]
    assert browser.console() == []


def test_every_point_is_drawn_inside_the_first_view(browser, sheet, frames):
    drawn = browser.ask("Geoqa.page.layer.drawn")
    assert drawn["symbols"] == len(frames["points"])
    assert drawn["ellipses"] == int(frames["points"]["semi_major_m"].notna().sum())
    scale = browser.ask("Geoqa.page.layer.view.ppm * Geoqa.page.layer.view.ex")
    # An arrow of two pixels would be a blot under its symbol.
    assert drawn["vectors"] == int((frames["closures"]["horizontal_m"] * scale > 2).sum()) > 40
    assert drawn["labels"] > 30
    inside = browser.ask("""Geoqa.page.layer._seen.every(s => { const v = Geoqa.page.layer.view.inner;
        return s.x > v[0] + 10 && s.x < v[2] - 10 && s.y > v[1] + 10 && s.y < v[3] - 10; })""")
    assert inside
    inked = browser.ask("""(() => { const c = document.querySelector('.gq-canvas');
        const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
        let n = 0; for (let i = 3; i < d.length; i += 4) { n += d[i] > 0; } return n; })()""")
    assert inked > 5000


def test_the_key_shows_the_counts_of_the_frame(browser, sheet, frames):
    shown = browser.ask("""Object.fromEntries([...document.querySelectorAll('.gq-cell')].map(
        b => [b.dataset.status, +b.querySelector('.gq-count').textContent]))""")
    assert shown == {status: int((frames["points"]["status"] == status).sum()) for status in STATUSES}
    delivered = browser.ask("""Object.fromEntries([...document.querySelectorAll('[data-deliver]')].map(
        p => [p.dataset.deliver, +p.querySelector('.gq-count').textContent]))""")
    assert delivered == {word: int((frames["points"]["deliver"] == word).sum()) for word in ("yes", "no")}


def test_the_square_stands_as_the_two_axes_say(browser, sheet):
    at = browser.ask("""Object.fromEntries([...document.querySelectorAll('.gq-cell')].map(
        b => { const r = b.getBoundingClientRect(); return [b.dataset.status, [r.x, r.y]]; }))""")
    assert at["confirmed"][0] == at["loose"][0] < at["strained"][0] == at["conflict"][0] < at["unproven"][0]
    assert at["confirmed"][1] == at["strained"][1] == at["unproven"][1] < at["loose"][1] == at["conflict"][1]


@pytest.mark.parametrize("name", ["KF121", "KF110"])
def test_a_click_opens_the_popup_of_that_point(browser, sheet, frames, name):
    browser.click_point(name)
    browser.wait("document.querySelector('.gq-detail h2')")
    text = browser.ask("document.querySelector('.gq-detail').innerText")
    assert browser.ask("document.querySelector('.gq-detail h2').textContent") == name
    status = frames["points"].set_index("point")["status"][name]
    assert re.search(rf"status\s+{status}", text)
    assert "Closures, later minus earlier" in text


def test_a_square_hides_its_points_and_shows_them_again(browser, sheet, frames):
    cell = "document.querySelector('[data-status=conflict]')"
    conflicts = int((frames["points"]["status"] == "conflict").sum())
    before = browser.ask("Geoqa.page.layer.drawn")
    browser.ask(f"{cell}.click()")
    browser.wait(f"Geoqa.page.layer.drawn.symbols === {before['symbols'] - conflicts}")
    assert browser.ask("Geoqa.page.layer.drawn.vectors") == before["vectors"] - conflicts
    assert browser.ask(f"{cell}.getAttribute('aria-pressed')") == "false"
    browser.ask(f"{cell}.click()")
    browser.wait("Geoqa.page.layer.drawn.symbols === 61")


def test_layers_switch_and_the_exaggeration_is_stated(browser, sheet):
    assert browser.ask("document.querySelector('output').textContent") == "× 500"
    radius = """(() => { const l = Geoqa.page.layer, d = l.drawings.find(d => d.kind === 'ellipses');
        return d.columns.semi_major_m[0] * l.view.ppm * l.view.ex; })()"""
    before = browser.ask(radius)
    browser.ask("""(() => { const s = document.querySelector('input[type=range]'); s.value = +s.value + 1;
        s.dispatchEvent(new Event('input')); })()""")
    browser.wait("Geoqa.page.layer.view.ex === 1000")
    assert browser.ask(radius) == pytest.approx(2 * before)
    assert "1 cm is drawn as long as 10 m" in browser.ask("document.querySelector('.gq-key').innerText")
    browser.ask(
        "[...document.querySelectorAll('.gq-check')]"
        ".find(l => l.innerText.includes('Ellipses')).querySelector('input').click()"
    )
    browser.wait("Geoqa.page.layer.drawn.ellipses === 0")


def test_the_keyboard_reaches_the_worst_point(browser, sheet, frames):
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    browser.ask("document.querySelector('.gq-worst summary').focus()")
    ActionChains(browser.driver).send_keys(Keys.ENTER).perform()
    browser.wait("document.querySelector('.gq-list button')")
    ActionChains(browser.driver).send_keys(Keys.TAB, Keys.ENTER).perform()
    browser.wait("document.querySelector('.gq-detail h2')")
    points = frames["points"].set_index("point")["status"]
    assert points[browser.ask("document.querySelector('.gq-detail h2').textContent")] == "conflict"
    ActionChains(browser.driver).send_keys(Keys.ESCAPE).perform()
    browser.wait("!document.querySelector('.gq-detail')")


def test_both_themes_draw_their_own_colours(browser, sheet):
    seen = {}
    for theme in ("light", "dark"):
        browser.theme(theme)
        browser.wait(f"Geoqa.page.layer.theme().dark === {json.dumps(theme == 'dark')}")
        browser.open(sheet)
        seen[theme] = browser.ask("""(() => { const l = Geoqa.page.layer, s = l._seen[l._seen.length - 1],
            r = devicePixelRatio, g = document.querySelector('.gq-canvas').getContext('2d');
            return [...g.getImageData(s.x * r, s.y * r, 1, 1).data].slice(0, 3); })()""")
    browser.theme("light")
    assert seen == {"light": [0x35, 0x03, 0x18], "dark": [0xF7, 0xF5, 0xFF]}


def test_a_phone_reads_it_without_scrolling_sideways(browser, sheet, frames):
    browser.size(390, 844, mobile=True)
    browser.open(sheet)
    assert browser.ask("document.documentElement.scrollWidth") <= 390
    assert browser.ask("Geoqa.page.layer.drawn.symbols") == len(frames["points"])
    key = browser.ask("document.querySelector('.gq-key').getBoundingClientRect().y")
    chart = browser.ask("document.querySelector('.gq-map').getBoundingClientRect().bottom")
    assert key >= chart


def test_it_prints_on_one_page(browser, sheet):
    printed = browser.command("Page.printToPDF", preferCSSPageSize=True, printBackground=True)["data"]
    assert re.findall(rb"/Count (\d+)", base64.b64decode(printed)) == [b"1"]
    browser.wait("Geoqa.page.layer.drawn.symbols === 61")


def test_hostile_names_are_shown_and_do_nothing(
    browser, make_page, hostile_frames, make_job, hostile, hostile_layer, tmp_path
):
    path = tmp_path / "map.html"
    job = make_job(name="</script><img src=x onerror=window.hurt=1>{{ 7*7 }}")
    path.write_text(make_page(hostile_frames, job, more=hostile_layer.draw({}, job), notes=hostile), encoding="utf-8")
    browser.size(1400, 900)
    browser.open(path)
    for drawing in (0, 3):
        for k, name in enumerate(hostile):
            browser.ask(
                "Geoqa.page.open({drawing: Geoqa.page.layer.drawings[arguments[0]], entry: arguments[1]})", drawing, k
            )
            assert browser.ask("document.querySelector('.gq-detail h2').textContent") == display_text(name)
    browser.ask("document.querySelector('.gq-worst summary').click()")
    browser.wait("document.querySelector('.gq-list button')")
    assert browser.ask("typeof window.hurt") == "undefined"
    assert browser.ask("document.querySelectorAll('img, iframe, object, a[href^=javascript]').length") == 0
    assert browser.ask("document.querySelector('h1').textContent") == job.site.name
    assert browser.ask("document.documentElement.scrollWidth") <= 1400
    assert browser.requests() == [path.as_uri()]
    assert browser.console() == []


def test_a_map_without_points_opens(browser, tmp_path, make_page, frames, job):
    path = tmp_path / "map.html"
    path.write_text(make_page({name: frame.iloc[:0] for name, frame in frames.items()}, job), encoding="utf-8")
    browser.driver.get(path.as_uri())
    browser.wait("window.Geoqa && Geoqa.page")
    assert browser.console() == []
