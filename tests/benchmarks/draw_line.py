"""Draw what a station's screen looks like: a session in a terminal (tmux), with a scanner's keystrokes, at the bench's own pace.

    python tests/benchmarks/draw_line.py PICTURE.png

Needs tmux and the browser of ``look_at_watch.py``. The bench is the simulated one; what each unit is stands in its specimen file.
"""

from __future__ import annotations

import io
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from PIL import Image
from PIL.PngImagePlugin import PngInfo
from rich.ansi import AnsiDecoder
from rich.console import Console
from rich.terminal_theme import TerminalTheme

from sequencer.reference import MARK
from tests.support.watching import real_browser

TOP = Path(__file__).resolve().parents[2]
COLUMNS, LINES = 80, 24
PATIENCE_S = 60.0
SEQUENCE = """
sequence: Goods in
channels: cept-40
mode: FM
supply: 13.2 V
checks:
  - {check: frequency_error, channel: 20, limit: {within: 600 Hz}}
  - {check: sensitivity, channel: 20, target: 12 dB SINAD, tone: 1 kHz, deviation: 1.2 kHz, limit: {max: -113 dBm}}
"""
SHADES = TerminalTheme(
    (0, 0, 0),
    (222, 222, 222),
    [
        (0, 0, 0),
        (190, 60, 50),
        (60, 150, 80),
        (190, 150, 50),
        (70, 110, 180),
        (150, 90, 160),
        (60, 150, 160),
        (222, 222, 222),
    ],
)


class Terminal:
    """A terminal that tmux holds, and what stands on it."""

    def __init__(self, folder: Path, words: list[str]) -> None:
        self._name = ["-L", folder.name]
        size = ["-x", str(COLUMNS), "-y", str(LINES)]
        self._tmux("-f", "/dev/null", "new-session", "-d", *size, "-c", str(TOP), *words)

    def _tmux(self, *words: str) -> str:
        command = ["tmux", *self._name, *words]
        return subprocess.run(command, capture_output=True, text=True, check=True).stdout

    def type(self, text: str) -> None:
        """Type a scan and its end."""
        self._tmux("send-keys", "-l", text)
        self._tmux("send-keys", "Enter")

    def press(self, key: str) -> None:
        """Press a key by its name."""
        self._tmux("send-keys", key)

    def screen(self, *patterns: str) -> str:
        """Return the screen with its colours once each of ``patterns`` stands on it."""
        until_s = time.monotonic() + PATIENCE_S
        while time.monotonic() < until_s:
            plain = self._tmux("capture-pane", "-p")
            if all(re.search(one, plain) for one in patterns):
                time.sleep(0.5)  # what is drawn last
                return self._tmux("capture-pane", "-e", "-p")
            time.sleep(0.1)
        raise SystemExit(f"no {patterns} on the screen:\n{self._tmux('capture-pane', '-p')}")

    def end(self) -> None:
        """End what is left."""
        subprocess.run(["tmux", *self._name, "kill-server"], capture_output=True, check=False)


def page_of(screens: dict[str, str]) -> str:
    """Return an HTML page with each screen below its title, two beside each other."""
    cells = []
    for title, ansi in screens.items():
        console = Console(record=True, width=COLUMNS, file=io.StringIO(), color_system="truecolor")
        for line in AnsiDecoder().decode(ansi):  # a colour holds from one line to the next
            console.print(line, overflow="crop", no_wrap=True)
        code = console.export_html(theme=SHADES, inline_styles=True, code_format="<pre>{code}</pre>")
        cells.append(f"<figure><figcaption>{title}</figcaption>{code}</figure>")
    style = (
        "body{margin:12px;display:grid;grid-template-columns:1fr 1fr;gap:12px;background:#fff;width:max-content}"
        "figure{margin:0}figcaption{font:15px sans-serif;padding:4px 0}"
        "pre{margin:0;padding:8px;background:#000;color:#dedede;font:13px/1.2 'DejaVu Sans Mono',monospace}"
    )
    return f"<!doctype html><meta charset='utf-8'><style>{style}</style>{''.join(cells)}"


def mark(picture: bytes, into: Path) -> None:
    """Write the picture with the mark by which the reference knows its own pictures."""
    text = PngInfo()
    text.add_text("Comment", MARK)
    Image.open(io.BytesIO(picture)).save(into, pnginfo=text, optimize=True)


def main() -> None:
    """Run the session and draw it."""
    into = Path(sys.argv[1])
    screens: dict[str, str] = {}
    with tempfile.TemporaryDirectory(prefix="draw-line-") as name:
        folder = Path(name)
        bench = (TOP / "sim" / "bench.yaml").read_text(encoding="utf-8")
        bench = bench.replace("clock: virtual", "clock: real").replace(
            "unit: units ", f"unit: {TOP / 'sim' / 'units'} "
        )
        (folder / "bench.yaml").write_text(bench, encoding="utf-8")
        (folder / "goods-in.yaml").write_text(SEQUENCE, encoding="utf-8")
        words = [
            "-m",
            "sequencer",
            "line",
            str(folder / "goods-in.yaml"),
            "--bench",
            str(folder / "bench.yaml"),
        ]
        more = [
            "--folder",
            str(folder / "results"),
            "--batch",
            "October",
            "--station",
            "3",
            "--operator",
            "M. Okafor",
        ]
        terminal = Terminal(folder, [sys.executable, *words, *more])
        try:
            screens["Waiting for the first scan"] = terminal.screen("SCAN THE NEXT UNIT")
            terminal.type("]C1M40-0007")
            screens["A unit is measured"] = terminal.screen("M40-0007", "[1-2] of 2")
            screens["It passed, and may be changed"] = terminal.screen(
                "Last unit: M40-0007", "SCAN THE NEXT UNIT"
            )
            terminal.type("M40-0012")
            screens["One that failed: what, by how much, where to look"] = terminal.screen(
                "Last unit: M40-0012", "SCAN THE NEXT UNIT"
            )
            terminal.type("M40-0007")
            screens["A unit that was tested today"] = terminal.screen("tested today")
            terminal.press("F3")
            terminal.screen("Left out")
            terminal.type("=1+1")
            screens["A scan that is no serial"] = terminal.screen("Refused")
            terminal.press("F10")
        finally:
            terminal.end()
    with real_browser() as browser:
        page = browser.new_page(device_scale_factor=1.0)
        page.set_content(page_of(screens))
        picture = page.locator("body").screenshot()
        page.close()
    mark(picture, into)
    print(f"{into}: {len(screens)} screens, {into.stat().st_size} bytes")


if __name__ == "__main__":
    main()
