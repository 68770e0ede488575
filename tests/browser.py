"""A headless Chromium driven through its own debugging port: keys, questions, errors."""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import subprocess
import time
import urllib.request
from pathlib import Path

import pytest

KEYS = {
    "ArrowRight": 39, "ArrowLeft": 37, "ArrowUp": 38, "ArrowDown": 40, "Tab": 9, "Home": 36,
    "End": 35, " ": 32, "Enter": 13,
}  # fmt: skip


class Browser:
    """One page in a browser without a window."""

    def __init__(self, page: Path, folder: Path, width: int = 1200, height: int = 900) -> None:
        program = shutil.which("chromium") or shutil.which("chromium-browser")
        if program is None:
            pytest.skip("no Chromium on this machine")
        pytest.importorskip("tornado")
        self._loop = asyncio.new_event_loop()
        self.errors: list[str] = []
        self._number = 0
        home = folder / "browser"
        self._process = subprocess.Popen(
            [program, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic",
             "--no-first-run", "--disable-background-networking", "--disable-component-update",
             "--disable-sync", f"--user-data-dir={home}", "--remote-debugging-port=0",
             f"--window-size={width},{height}", "about:blank"],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=dict(os.environ),
        )  # fmt: skip
        port_file = home / "DevToolsActivePort"
        end = time.monotonic() + 60
        while not port_file.exists() or not port_file.read_text().strip():
            if time.monotonic() > end or self._process.poll() is not None:
                self.close()
                pytest.skip("Chromium did not start")
            time.sleep(0.05)
        port = port_file.read_text().split()[0]
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/json", timeout=20) as answer:
            target = next(t for t in json.load(answer) if t["type"] == "page")
        self._loop.run_until_complete(self._connect(target["webSocketDebuggerUrl"]))
        for domain in ("Page", "Runtime", "Log"):
            self.ask(f"{domain}.enable")
        self.ask("Page.navigate", url=page.resolve().as_uri())
        end = time.monotonic() + 60
        while self.value("document.readyState") != "complete":
            assert time.monotonic() < end, "the page did not load"
            time.sleep(0.05)

    async def _connect(self, url: str) -> None:
        from tornado.websocket import websocket_connect

        self._socket = await websocket_connect(url, max_message_size=64_000_000)

    def ask(self, method: str, **parameters):
        """Send one command and give its answer; what is logged meanwhile is kept."""
        self._number += 1
        return self._loop.run_until_complete(self._ask(self._number, method, parameters))

    async def _ask(self, number, method, parameters):
        await self._socket.write_message(
            json.dumps({"id": number, "method": method, "params": parameters})
        )
        while True:
            said = await asyncio.wait_for(self._socket.read_message(), 60)
            if said is None:
                raise RuntimeError("the browser has gone")
            message = json.loads(said)
            kind = message.get("method", "")
            if kind == "Runtime.exceptionThrown":
                self.errors.append(json.dumps(message["params"]["exceptionDetails"]))
            if kind == "Log.entryAdded" and message["params"]["entry"]["level"] == "error":
                self.errors.append(message["params"]["entry"]["text"])
            if kind == "Runtime.consoleAPICalled" and message["params"]["type"] == "error":
                self.errors.append(json.dumps(message["params"]["args"]))
            if message.get("id") == number:
                assert "error" not in message, message
                return message["result"]

    def value(self, expression: str):
        """What an expression gives in the page."""
        answer = self.ask("Runtime.evaluate", expression=expression, returnByValue=True)
        assert "exceptionDetails" not in answer, answer
        return answer["result"].get("value")

    def press(self, key: str, times: int = 1) -> None:
        """Press a key as a hand does."""
        text = {" ": " ", "Enter": "\r"}.get(key, "")
        for _ in range(times):
            common = {"key": key, "code": "Space" if key == " " else key,
                      "windowsVirtualKeyCode": KEYS[key]}  # fmt: skip
            down = {"type": "keyDown" if text else "rawKeyDown", **common}
            if text:
                down["text"] = text
            self.ask("Input.dispatchKeyEvent", **down)
            self.ask("Input.dispatchKeyEvent", type="keyUp", **common)

    def tab_to(self, wanted: str, most: int = 60) -> None:
        """Walk to an element by the Tab key alone."""
        for _ in range(most):
            if self.value("document.activeElement && document.activeElement.id") == wanted:
                return
            self.press("Tab")
        raise AssertionError(f"{wanted} is not reached by the keyboard")

    def close(self) -> None:
        """End this browser, and no other."""
        self._process.terminate()
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait(10)
        self._loop.close()
