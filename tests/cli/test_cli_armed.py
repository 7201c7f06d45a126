"""`serve` on a virtual rig: page, `status` and API say "armed" from the arm to the confirmed disarm.

The truth is the device's own flag, read from the virtual rig itself; the daemon, its page's process, the
browser and `pressrig status` are the real ones. The browser notes every change of what the page shows.
"""

from __future__ import annotations

import json
import os
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest

if os.name != "posix":
    pytest.skip("the daemon needs a Unix system", allow_module_level=True)
pytest.importorskip("selenium")
if not (Path("/usr/bin/chromium").exists() and Path("/usr/bin/chromedriver").exists()):
    pytest.skip("needs the browser chromium and its driver", allow_module_level=True)

import httpx
from command_line import DRIVEN_BENCH, done, free_port, patient, rig_file, running, wait_until
from selenium import webdriver
from selenium.common.exceptions import WebDriverException

from rig.daemon.bulletin import RigStatus
from rig.daemon.control import ControlClient, NoDaemonError
from rig.jobs.orders import MethodOrder
from rig.virtual import LinearSpring, VirtualPort, VirtualRig
from rig.wire import StateFlag

METHOD = """
name: slow press
purpose: A test.
follows: Nothing published.
specimen: {stiffness: "20 N/mm"}
steps:
  - contact_check: {force: "1 N", speed: "5 mm/s"}
  - press: {deflection: "9 mm", speed: "0.2 mm/s"}
  - return: {gap: "2 mm", speed: "10 mm/s"}
report: [secant_n_per_mm]
"""
CONTACT_CHECK = METHOD.replace('  - press: {deflection: "9 mm", speed: "0.2 mm/s"}\n', "")
CARD = {"specimen": "F-90-001", "free_height_mm": 90.0}
LOOKS = 20

NOTE_CHANGES = """
window.seen = [];
const words = document.getElementById("armed");
const note = () => {
  const shown = words.hidden ? "" : words.textContent;
  if (window.seen.at(-1)?.[1] !== shown) {
    window.seen.push([Date.now() / 1000, shown]);
  }
};
new MutationObserver(note).observe(words, {attributes: true, childList: true, characterData: true});
note();
"""
ARMED, DOUBT, DISARMED = "ARMED: the platen may move", "not known whether armed", ""


class Device:
    """The virtual rig, and what its own flag was at every look."""

    def __init__(self, rig: VirtualRig) -> None:
        self._rig = rig
        self.last_armed_s = 0.0
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._look)

    def armed(self) -> bool:
        before_s = time.time()
        flags = int(self._rig.device.state().flags)
        if flags & StateFlag.ARMED:
            self.last_armed_s = before_s
        return bool(flags & StateFlag.ARMED)

    def presses(self) -> bool:
        flags = StateFlag.ARMED | StateFlag.MOVING
        return int(self._rig.device.state().flags) & flags == flags

    def __enter__(self) -> Device:
        self._thread.start()
        return self

    def __exit__(self, *error: object) -> None:
        self._over.set()
        self._thread.join()

    def _look(self) -> None:
        while not self._over.wait(0.005):
            self.armed()


class Watched:
    """The daemon as a person sees it: by page, command and API."""

    def __init__(self, home: Path, browser: webdriver.Chrome, device: Device, port: int) -> None:
        self.home, self.browser, self.device, self.port = home, browser, device, port

    def client(self) -> ControlClient:
        sockets = list((self.home / "pressrig").glob("*.sock"))
        if not sockets:
            raise NoDaemonError("no socket is there yet")
        return ControlClient(sockets[0])

    def status(self) -> RigStatus:
        with self.client() as daemon:
            return daemon.status()

    def up(self) -> bool:
        try:
            return self.status().state != "away"
        except NoDaemonError:
            return False

    def token(self) -> str:
        return (self.home / "pressrig" / "page-token").read_text(encoding="ascii").strip()

    def opens(self) -> bool:
        try:
            self.browser.get("://".join(("http", f"localhost:{self.port}/enter#{self.token()}")))
        except WebDriverException:  # the page's process is not there yet
            return False
        return True

    def shown(self) -> str:
        script = 'const it = document.getElementById("armed"); return it && (it.hidden ? "" : it.textContent)'
        return self.browser.execute_script(script)

    def seen(self) -> list[tuple[float, str]]:
        return [(at_s, words) for at_s, words in self.browser.execute_script("return window.seen")]

    def api(self) -> bool:
        answer = httpx.get(
            "://".join(("http", f"127.0.0.1:{self.port}/api/status")),
            headers={"authorization": f"Bearer {self.token()}"}, trust_env=False, timeout=60.0,
        )  # fmt: skip
        return answer.raise_for_status().json()["armed"]

    def start(self, text: str) -> None:
        order = MethodOrder(text=text, source="slow.yaml", card=CARD, cautions_read=True)
        with self.client() as daemon:
            answer = daemon.start(order)
        assert getattr(answer, "refused", None) is None, answer


@pytest.fixture
def home() -> Iterator[Path]:
    """A short folder: the path of a socket holds about a hundred characters."""
    with tempfile.TemporaryDirectory(prefix="rig-") as folder:
        yield Path(folder).resolve()


@pytest.fixture(scope="module")
def browser() -> Iterator[webdriver.Chrome]:
    options = webdriver.ChromeOptions()
    options.binary_location = "/usr/bin/chromium"
    for option in ("--headless=new", "--no-sandbox", "--disable-gpu", "--window-size=1280,1000"):
        options.add_argument(option)
    driver = webdriver.Chrome(options, webdriver.ChromeService("/usr/bin/chromedriver"))
    yield driver
    driver.quit()


@contextmanager
def watched(home: Path, browser: webdriver.Chrome, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple]:
    """The daemon and its page, the device disarmed and said to be so, and the cable to pull."""
    monkeypatch.setattr("rig.virtual.drive.HEARTBEAT_LIMIT_S", 60.0)  # a busy machine is no silent host
    rig, link = VirtualRig(LinearSpring(20.0), scripted=False, rate_hz=500.0), home / "rig"
    port = free_port()  # the page of the test before may still be ending
    words = ("serve", "--rig", rig_file(home, DRIVEN_BENCH), "--port", link, "--out", home / "captures")
    with ExitStack() as cable, Device(rig) as device:
        cable.enter_context(VirtualPort(rig, link, 1.0))
        with running(home, *words, "--http", port, command=patient(60.0)) as daemon:
            at = Watched(home, browser, device, port)
            wait_until(lambda: at.up() or daemon.poll() is not None)
            wait_until(at.opens)
            wait_until(lambda: at.shown() == DISARMED)
            at.start(CONTACT_CHECK)  # homes, behind which the rig is disarmed for a moment
            wait_until(lambda: (status := at.status()).last is not None and not status.armed)
            wait_until(lambda: at.shown() == DISARMED)
            browser.execute_script(NOTE_CHANGES)
            assert not device.armed()
            yield at, daemon, cable


def test_all_say_armed_from_the_accepted_arm_to_the_confirmed_disarm(home, browser, monkeypatch) -> None:
    with watched(home, browser, monkeypatch) as (at, _, _):
        at.start(METHOD)
        wait_until(at.device.presses)
        wait_until(lambda: at.shown() == ARMED)
        assert at.device.armed()  # the press is slow: the page said so long before it ended

        for look in range(LOOKS):
            said = at.api(), at.status().armed, at.shown()
            assert said == (True, True, ARMED)
            if look == 0:
                assert "running, ARMED, the platen may move" in done(home, "status")
                assert json.loads(done(home, "status", "--json"))["armed"] is True
        assert at.device.armed()
        with at.client() as daemon:
            daemon.halt("a test")
        wait_until(lambda: at.shown() == DISARMED)
        assert not at.device.armed()
        assert not at.api()
        assert "not armed" in done(home, "status")

        changes = at.seen()
        calm_again_s = changes[-1][0]
        assert [words for _, words in changes] == [DISARMED, ARMED, DISARMED]
        assert calm_again_s + 0.001 >= at.device.last_armed_s  # the browser's clock counts milliseconds


def test_doubt_reads_as_armed_when_cable_and_daemon_go_away_in_mid_press(home, browser, monkeypatch) -> None:
    with watched(home, browser, monkeypatch) as (at, daemon, cable):
        at.start(METHOD)
        wait_until(at.device.presses)
        wait_until(lambda: at.shown() == ARMED)
        cable.close()
        wait_until(lambda: at.status().state == "away")
        assert at.status().armed
        assert at.api()
        assert "not known whether armed: treat it as armed" in done(home, "status")
        wait_until(lambda: at.shown() == DOUBT)
        daemon.kill()
        daemon.wait()
        wait_until(lambda: "blind" in browser.execute_script("return document.body.className"))
        assert at.shown() == DOUBT
        assert DISARMED not in [words for _, words in at.seen()][1:]
