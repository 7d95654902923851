#!/usr/bin/env python3
"""Pictures of the program's own output, for the README: the live screen in
docs/screen.png; a note that is doubled beside a take that is written down in
docs/first-minute.png; the intonation report in docs/report.png.

Plays the built-in take through a sound server of its own into a session in a tmux
window, takes the window's text with its colours nine seconds in, transcribes the
same take, and lets Chromium draw both.

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


PRE = f"margin:16px;color:{INK};font:15px/1.2 monospace"


def first_minute(program, folder, screen):
    """HTML of the live screen beside the same take written down."""
    env = os.environ | {"XDG_CONFIG_HOME": f"{folder}/none"}
    command = [program, "transcribe", f"{folder}/lamplight.wav", "--horn", "flugelhorn"]
    table = subprocess.run(command, env=env, check=True, capture_output=True, text=True).stdout
    picture = pathlib.Path(folder, "lamplight.svg").read_text()
    rows = "\n".join(line.rstrip() for line in table.splitlines()[:16]) + "\n ..."
    panel = "width:950px;margin:10px;overflow:hidden"
    title = f"color:{INK};font:bold 19px sans-serif;margin:14px 16px"
    return (
        f'<div style="display:flex"><div style="{panel}">'
        f'<p style="{title}">leadpipe live --horn flugelhorn --double</p>{screen}</div>'
        f'<div style="{panel}"><p style="{title}">leadpipe transcribe take.wav --horn flugelhorn</p>'
        f'<pre style="{PRE};font-size:13px">{html.escape(rows)}</pre>'
        f'<div class="page">{picture}</div></div></div>'
        # The first row of the picture.
        "<style>.page{background:#fff;border-radius:4px;margin:0 16px;height:214px;overflow:hidden}"
        ".page svg{width:100%;height:auto}</style>"
    )


def draw(folder, body, picture, width, height):
    """Lets Chromium draw HTML into a PNG file."""
    page = pathlib.Path(folder) / "page.html"
    page.write_text(f'<meta charset="utf-8"><body style="margin:0;background:{PAPER}">{body}')
    shoot(folder, page, picture, width, height)


def shoot(folder, page, picture, width, height):
    """Lets Chromium draw a page into a PNG file."""
    subprocess.run(["chromium", "--headless", "--no-sandbox", "--disable-gpu",
                    f"--user-data-dir={folder}/browser", "--hide-scrollbars",
                    f"--window-size={width},{height}",
                    "--force-device-scale-factor=1.5", f"--screenshot={picture}",
                    page.as_uri()], check=True, capture_output=True)


def main():
    program = pathlib.Path(sys.argv[1]).resolve()
    docs = pathlib.Path(__file__).resolve().parent.parent / "docs"
    with tempfile.TemporaryDirectory() as folder:
        subprocess.run([program, "demo", "--out", folder], check=True, capture_output=True)
        env = os.environ | {"PULSE_RUNTIME_PATH": folder, "HOME": folder,
                            "XDG_CONFIG_HOME": f"{folder}/none",
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
            command = f"{program} live --input alsa:pulse --output alsa:pulse --horn flugelhorn --double 2>/dev/null"
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
        screen = f'<pre style="{PRE}">{styled(text)}</pre>'
        draw(folder, screen, docs / "screen.png", WIDTH * 9 + 40, HEIGHT * 18 + 36)
        draw(folder, first_minute(program, folder, screen), docs / "first-minute.png", 1940, 640)
        report = pathlib.Path(folder, "lamplight.html")
        shoot(folder, report, docs / "report.png", 1100, 1250)
        print(text)


if __name__ == "__main__":
    main()
