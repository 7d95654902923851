#!/usr/bin/env python3
"""A picture of the live screen, for the README: docs/screen.png.

Plays the built-in take through a sound server of its own into a session in a tmux
window, takes the window's text with its colours nine seconds in, and lets
Chromium draw it.

    apt-get install pulseaudio pulseaudio-utils libasound2-plugins tmux chromium
    cargo build --release && scripts/screen.py target/release/leadpipe
"""

import html
import os
import pathlib
import re
import subprocess
import sys
import tempfile
import time

WIDTH, HEIGHT = 100, 30
AFTER_S = 9.0
INK, PAPER = "#d8d4c8", "#16181c"
COLOURS = {"31": "#e5786d", "32": "#95c76f", "33": "#e8c547", "34": "#7aa6da",
           "35": "#c397d8", "36": "#70c0b1", "37": "#ffffff"}


def styled(text):
    """HTML of text with ANSI colours."""
    out, style = [], ""
    for part in re.split(r"(\x1b\[[\d;]*m)", text):
        code = re.fullmatch(r"\x1b\[([\d;]*)m", part)
        if not code:
            out.append(f'<span style="{style}">{html.escape(part)}</span>')
            continue
        # tmux writes the eight colours as 38;5;N.
        for number in code[1].replace("38;5;", "3").split(";"):
            if number in ("", "0", "39"):
                style = ""
            elif number == "1":
                style += "font-weight:bold;"
            elif number == "2":
                style += "opacity:.6;"
            elif number in COLOURS:
                style += f"color:{COLOURS[number]};"
    return "".join(out)


def main():
    program = pathlib.Path(sys.argv[1]).resolve()
    picture = pathlib.Path(__file__).resolve().parent.parent / "docs" / "screen.png"
    with tempfile.TemporaryDirectory() as folder:
        subprocess.run([program, "demo", "--out", folder], check=True, capture_output=True)
        env = os.environ | {"PULSE_RUNTIME_PATH": folder, "HOME": folder,
                            "PULSE_SERVER": f"unix:{folder}/native"}
        server = subprocess.Popen(
            ["pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1",
             f"--load=module-native-protocol-unix socket={folder}/native auth-anonymous=1",
             "--load=module-null-sink sink_name=stage rate=48000",
             "--load=module-null-sink sink_name=room rate=48000"],
            env=env, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        tmux = ["tmux", "-S", f"{folder}/tmux"]
        try:
            time.sleep(2)
            for setting in ("set-default-sink stage", "set-default-source room.monitor"):
                subprocess.run(["pactl", *setting.split()], env=env, check=True)
            command = f"{program} live --input alsa:pulse --output alsa:pulse --horn flugelhorn --double"
            subprocess.run([*tmux, "new-session", "-d", "-x", str(WIDTH), "-y", str(HEIGHT),
                            command], env=env | {"TERM": "screen-256color"}, check=True)
            time.sleep(3)
            player = subprocess.Popen(["paplay", "--device=room", f"{folder}/lamplight.wav"],
                                      env=env)
            time.sleep(AFTER_S)
            text = subprocess.run([*tmux, "capture-pane", "-p", "-e"], env=env, check=True,
                                  capture_output=True, text=True).stdout
            player.terminate()
        finally:
            subprocess.run([*tmux, "kill-server"], env=env, check=False)
            server.terminate()
        page = pathlib.Path(folder) / "screen.html"
        page.write_text(
            f'<meta charset="utf-8"><body style="margin:0;background:{PAPER}">'
            f'<pre style="margin:16px;color:{INK};font:15px/1.2 monospace">{styled(text)}</pre>')
        subprocess.run(["chromium", "--headless", "--no-sandbox", "--disable-gpu",
                        f"--user-data-dir={folder}/browser", "--hide-scrollbars",
                        f"--window-size={WIDTH * 9 + 40},{HEIGHT * 18 + 36}",
                        "--force-device-scale-factor=1.5", f"--screenshot={picture}",
                        page.as_uri()], check=True, capture_output=True)
        print(text)


if __name__ == "__main__":
    main()
