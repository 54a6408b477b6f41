"""A headless browser, spoken to over its DevTools protocol."""
import json
import shutil
import subprocess
import time

from websockets.sync.client import connect

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)


class Browser:
    """Chromium over its DevTools protocol."""

    def __init__(self, folder):
        self.profile = folder / "profile"
        command = [CHROMIUM, "--headless=new", "--no-sandbox", "--disable-gpu", "--remote-debugging-port=0",
                   "--no-first-run", f"--user-data-dir={self.profile}", "about:blank"]
        self.process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        port_file = self.profile / "DevToolsActivePort"
        for _ in range(300):
            if port_file.exists() and port_file.read_text().count("\n"):
                break
            time.sleep(0.1)
        port, path = port_file.read_text().split()[:2]
        self.connection = connect(f"ws://127.0.0.1:{port}{path}", max_size=None)
        self.socket = self.connection.__enter__()
        self.number, self.events, self.session = 0, [], None
        target = self("Target.createTarget", url="about:blank")["targetId"]
        self.session = self("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Network", "Runtime", "Log"):
            self(f"{domain}.enable")

    def __call__(self, method, **parameters):
        self.number += 1
        message = {"id": self.number, "method": method, "params": parameters}
        if self.session:
            message["sessionId"] = self.session
        self.socket.send(json.dumps(message))
        while True:
            answer = json.loads(self.socket.recv(timeout=120))
            if answer.get("id") == self.number:
                assert "error" not in answer, (method, answer["error"])
                return answer["result"]
            self.events.append(answer)

    def open(self, path, width, dark=False, scripts=True):
        self.events.clear()
        self("Emulation.setDeviceMetricsOverride", width=width, height=900, deviceScaleFactor=1, mobile=width < 600)
        scheme = [{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}]
        self("Emulation.setEmulatedMedia", features=scheme)
        self("Emulation.setScriptExecutionDisabled", value=not scripts)
        self("Page.navigate", url=path.as_uri())
        while not any(e.get("method") == "Page.loadEventFired" for e in self.events):
            self.events.append(json.loads(self.socket.recv(timeout=120)))

    def value(self, script):
        answer = self("Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in answer, answer["exceptionDetails"]
        return answer["result"].get("value")

    def happened(self, *methods):
        return [e["params"] for e in self.events if e.get("method") in methods]

    def close(self):
        self.connection.__exit__(None, None, None)
        self.process.terminate()
        self.process.wait()
