"""Pages and JupyterLab in headless Chromium: a server of our own, a page, a notebook that has run.

Nothing here waits a fixed time: every step waits for what it needs to see.
"""

from __future__ import annotations

import os
import re
import secrets
import shutil
import socket
import subprocess
import sys
import tempfile
import time
import urllib.request
from contextlib import contextmanager
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
QUIET = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
SETTINGS = {
    "notebook-extension/tracker": '{"windowingMode": "none"}',  # keep cells in the page that are out of sight
    "apputils-extension/notification": '{"fetchNews": "false"}',  # and do not ask about news
}
AT_HOME = re.compile(r"(file|data|blob|about):|(http|ws)://127\.0\.0\.1:")
STARTED = "Python 3 (ipykernel) | Idle"
PATIENCE = 120_000  # ms; a busy machine may take long, a hang must end


@contextmanager
def lab_server(folder):
    """Serve a folder with JupyterLab on a free port of this machine; yields the address and token."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    token = secrets.token_hex(16)
    options = {
        "ServerApp.ip": "127.0.0.1",
        "ServerApp.port": port,
        "ServerApp.port_retries": 0,
        "IdentityProvider.token": token,
        "ServerApp.allow_root": True,
        "ServerApp.open_browser": False,
        "ServerApp.root_dir": str(folder),
        "LabApp.check_for_updates_class": "jupyterlab.NeverCheckForUpdate",
    }
    command = [sys.executable, "-m", "jupyterlab", *(f"--{name}={value}" for name, value in options.items())]
    settings = tempfile.mkdtemp()
    for name, content in SETTINGS.items():
        path = Path(settings) / "@jupyterlab" / f"{name}.jupyterlab-settings"
        path.parent.mkdir(parents=True)
        path.write_text(content)
    environment = {**os.environ, "TAPECALC_STRICT": "1", "JUPYTERLAB_SETTINGS_DIR": settings}
    server = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=environment)
    try:
        address = f"http://127.0.0.1:{port}"
        _wait_for(f"{address}/api?token={token}", server)
        yield address, token
    finally:
        server.terminate()
        try:
            server.wait(20)
        except subprocess.TimeoutExpired:
            server.kill()
        shutil.rmtree(settings)


def _wait_for(address, server, seconds=60):
    """Ask until the server answers."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if server.poll() is not None:
            raise RuntimeError("JupyterLab stopped while it started")
        try:
            urllib.request.urlopen(address, timeout=5).close()
            return
        except OSError:
            time.sleep(0.2)
    raise RuntimeError(f"JupyterLab did not answer within {seconds} s")


def skip_without_chromium():
    """Skip the test on a machine that has none."""
    if CHROMIUM is None:
        pytest.skip("no Chromium on this machine: install it to run the browser tests")


@contextmanager
def page(width=1300, height=1600):
    """A page of a fresh browser, watched."""
    from playwright.sync_api import sync_playwright

    skip_without_chromium()
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(QUIET))
        try:
            yield watched(browser.new_page(viewport={"width": width, "height": height}))
        finally:
            browser.close()


@contextmanager
def offline_page(width=1300, height=1600):
    """A page without a network, on which nothing may have gone wrong at the end."""
    with page(width, height) as tab:
        tab.context.set_offline(True)
        yield tab
        assert (tab.problems, tab.outside) == ([], [])


def watched(tab):
    """The page, with a list of what goes wrong on it and one of what it asks for outside this machine."""
    tab.set_default_timeout(PATIENCE)
    tab.problems, tab.outside = [], []
    tab.on("pageerror", lambda error: tab.problems.append(str(error)))
    tab.on("console", lambda said: said.type == "error" and tab.problems.append(_where(said)))
    tab.on("request", lambda asked: AT_HOME.match(asked.url) or tab.outside.append(asked.url))
    return tab


def _where(said):
    """What the console says, and about which file."""
    return f"{said.text} ({said.location.get('url', '').partition('?')[0]})"


def open_and_run(tab, server, name):
    """Open a notebook in JupyterLab, run all its cells and wait until the kernel rests."""
    address, token = server
    tab.goto(f"{address}/lab/tree/{name}?token={token}&reset")
    tab.get_by_text(STARTED).first.wait_for()
    tab.get_by_role("menuitem", name="Run", exact=True).click()
    tab.get_by_role("menuitem", name="Run All Cells", exact=True).click()
    tab.wait_for_function(
        """idle => {
            const prompts = [...document.querySelectorAll('.jp-CodeCell .jp-InputPrompt')];
            const shown = prompts.map(prompt => prompt.innerText.trim()).filter(Boolean); // or folded
            const ran = prompts.length > 0 && shown.every(prompt => /\\[\\d+\\]/.test(prompt));
            return ran && document.querySelector('#jp-main-statusbar').innerText.includes(idle);
        }""",
        arg=STARTED,
    )


def errors_shown(tab):
    """Texts of error outputs that the page shows."""
    return tab.locator(".jp-RenderedText[data-mime-type='application/vnd.jupyter.stderr']").all_inner_texts()


def violations(tab):
    """What axe finds on the page, however slight, as sentences."""
    from axe_playwright_python.sync_playwright import Axe

    # Without preload: it would fetch the style sheet a second time, which no page from disk may do.
    found = Axe().run(tab, options={"resultTypes": ["violations"], "preload": False})
    return [
        f"{rule['id']} ({rule['impact']}) at {node['target']}: {node['html'][:100]}"
        for rule in found.response["violations"]
        for node in rule["nodes"]
    ]
