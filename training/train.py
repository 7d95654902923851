"""Learns the weights of the tone evidence from labelled cells. One command, seeded.

usage: train.py offline|causal LINES CELLS OUT [--seconds 240] [--size 24,96,32] [--without ORIGIN ...]

LINES   folder of line-NNNNN.json (truth, written by make.py)
CELLS   folder of line-NNNNN.cells (written by the example `tone_cells` from the sound)
OUT     file of weights for the program

A row of a .cells file is one pitch asked about at one moment: the number of the take, time in
seconds, pitch in MIDI semitones, rank, then the features at each offset (8-bit, times 60).
The network is the same at every pitch. Needs PyTorch; an accelerator makes it minutes.
"""
import argparse
import glob
import json
import os
import struct
import time
from concurrent.futures import ProcessPoolExecutor

import numpy as np
import torch
from torch import nn
from torch.nn import functional as F

FEATURES = 42
OFFSETS = {"offline": 20, "causal": 15}
# Which of the offsets (their places in src/analysis/tone/mod.rs) the screen reads: 4 moments before, now and 4 after;
# live, 7 and 2 before, and now.
SCREEN = {"offline": (6, 10, 14), "causal": (8, 12, 14)}
# Share of the cells that the network would believe in that may be lost to the screen.
LOST = 0.002
# Notes shorter than this count for more.
SHORT_S = 0.3
# Offline a moment lasts 10.7 ms; the label of an onset fades over one and a half of them.
FADE_S = 0.016
# A trill or wide vibrato is back at each of its pitches within so long, and shows there all the time.
SWING_S = 0.12
# Live, a note counts as just begun for so long; then its age is read, in tenths of a second.
FRESH_S = 0.07


def row_type(offsets):
    return np.dtype([("file", "<u4"), ("time_s", "<f4"), ("pitch", "<f4"), ("rank", "<u4"), ("x", "i1", (offsets, FEATURES))])


def labels(rows, notes, causal):
    """Tone, onset, tongue and age of each row, and how much each counts (shape rows x 4)."""
    time_s, pitch = rows["time_s"].astype(float), rows["pitch"].astype(float)
    want = np.zeros((len(rows), 4), np.float32)
    weight = np.ones((len(rows), 4), np.float32)
    weight[:, 2:] = 0
    for note in notes:
        onset_s, offset_s = note["onset_s"], note["offset_s"]
        contour = note.get("contour")
        at = np.full(len(rows), note["midi"], float)
        if contour:
            at = np.interp(time_s, contour["times_s"], contour["midi"])
        off = np.abs(pitch - at)
        inside = (time_s > onset_s - 0.003) & (time_s < offset_s + 0.003)
        near, beside = off < 0.35, (off >= 0.35) & (off < 0.8)
        # A swing of a trill or vibrato shows at its neighbours too.
        if contour:
            reach = max(1, round(SWING_S / max(1e-3, contour["times_s"][1] - contour["times_s"][0])))
            around = np.lib.stride_tricks.sliding_window_view(np.pad(contour["midi"], reach, "edge"), 2 * reach + 1)
            low, high = (np.interp(time_s, contour["times_s"], edge) for edge in (around.min(1), around.max(1)))
            beside |= ~near & (pitch > low - 0.5) & (pitch < high + 0.5)
        want[inside & near, 0] = 1
        # Each note counts, and a short one has few cells.
        weight[inside & near, 0] = np.clip(SHORT_S / max(1e-3, offset_s - onset_s), 1, 4) ** 0.5
        weight[inside & beside, 0] = 0
        edge = (np.abs(time_s - onset_s) < 0.008) | (np.abs(time_s - offset_s) < 0.012)
        weight[edge & (off < 0.8), 0] *= 0.3
        age_s = time_s - onset_s
        if causal:
            fade = ((age_s > -0.002) & (age_s < FRESH_S) & inside).astype(float)
        else:
            fade = np.clip(1 - np.abs(age_s) / FADE_S, 0, 1)
        start = contour["midi"][0] if contour else note["midi"]
        here = (np.abs(pitch - start) < 0.5) | near
        want[:, 1] = np.maximum(want[:, 1], np.where(here, fade, 0))
        weight[~here & (np.abs(pitch - start) < 1.2) & (fade > 0), 1] = 0
        known = here & (fade > 0.3)
        want[known, 2] = note.get("attack") == "tongued"
        weight[known, 2] = 1
        want[known, 3] = 10 * age_s[known]
        weight[known, 3] = 1
        if causal:
            border = here & (np.abs(age_s - FRESH_S) < 0.008)
            weight[border, 1] = 0
    return want, weight


def load(job):
    kind, lines, path, seed, without = job
    rows = np.fromfile(path, row_type(OFFSETS[kind]))
    name = os.path.basename(path)[: -len(".cells")]
    with open(os.path.join(lines, name + ".json")) as file:
        line = json.load(file)
    notes = line["notes"]
    if line["info"]["origin"] in without:
        rows = rows[:0]
    want, weight = labels(rows, notes, kind == "causal")
    # Cells without a note are many, and live neighbours repeat each other: some will do. Knocks are short, and few.
    share = np.where((want[:, :2].max(1) > 0) | (not notes), 1, 0.6) * (0.6 if kind == "causal" and notes else 1)
    keep = np.random.default_rng(seed).random(len(rows)) < share
    return rows["x"][keep], rows["pitch"][keep], want[keep], weight[keep]


class Net(nn.Module):
    """The same encoder for each offset, then two layers over all of them."""

    def __init__(self, kind, encoder=24, wide=96, narrow=32):
        super().__init__()
        offsets = OFFSETS[kind]
        self.screened = SCREEN[kind]
        self.encoder = nn.Linear(FEATURES, encoder)
        self.screen = nn.Linear(len(self.screened) * encoder + 2, 1)
        self.wide = nn.Linear(offsets * encoder + 2, wide)
        self.narrow = nn.Linear(wide, narrow)
        self.out = nn.Linear(narrow, 4)

    def forward(self, x, pitch):
        """Evidence (tone, onset, tongue, age) and whether the screen lets the cell pass, as log odds."""
        codes = F.relu(self.encoder(x))
        register = ((pitch - 57) / 24)[:, None]
        beside = [register, register**2]
        screen = self.screen(torch.cat([codes[:, self.screened].flatten(1), *beside], 1))[:, 0]
        wide = F.relu(self.wide(torch.cat([codes.flatten(1), *beside], 1)))
        out = self.out(F.relu(self.narrow(wide)))
        if self.training:
            # There are far fewer onsets than cells, and how each began is soon learned by
            # heart: the tongue is read with a third of the values left out.
            narrow = F.dropout(F.relu(self.narrow(F.dropout(wide, 0.3))), 0.3)
            out = torch.cat([out[:, :2], self.out(narrow)[:, 2:3], out[:, 3:]], 1)
        return out, screen


def write(layers, path):
    """Each layer: inputs and outputs (u32), weights by output, biases (f32, little-endian)."""
    with open(path, "wb") as file:
        for layer in layers:
            weights = layer.weight.detach().cpu().numpy()
            file.write(struct.pack("<II", weights.shape[1], weights.shape[0]))
            file.write(weights.astype("<f4").tobytes())
            file.write(layer.bias.detach().cpu().numpy().astype("<f4").tobytes())


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("kind", choices=OFFSETS)
    parser.add_argument("lines")
    parser.add_argument("cells")
    parser.add_argument("out")
    parser.add_argument("--seconds", type=float, default=400, help="in all, loading too")
    parser.add_argument("--size", default="24,96,32", help="of the encoder and the two layers after it")
    parser.add_argument("--without", nargs="*", default=[], metavar="ORIGIN", help="leave lines of these origins out")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    torch.manual_seed(options.seed)
    device = "cuda" if torch.cuda.is_available() else "cpu"
    started = time.time()
    paths = sorted(glob.glob(os.path.join(options.cells, "*.cells")))
    held = max(1, len(paths) // 12)

    def stack(paths, first):
        """Rows of many lines on the device, copied there line by line: together they may be half of its memory."""
        jobs = [(options.kind, options.lines, path, first + i, options.without) for i, path in enumerate(paths)]
        with ProcessPoolExecutor() as pool:
            parts = list(pool.map(load, jobs, chunksize=4))
        count, columns = sum(len(part[0]) for part in parts), []
        for column in range(len(parts[0])):
            whole = torch.empty((count, *parts[0][column].shape[1:]), dtype=torch.from_numpy(parts[0][column]).dtype, device=device)
            at = 0
            for part in parts:
                whole[at : at + len(part[column])] = torch.from_numpy(part[column])
                at += len(part[column])
            columns.append(whole)
        return columns

    check, train = stack(paths[:held], 0), stack(paths[held:], held)
    print(len(train[0]), "cells to learn from,", len(check[0]), "held out, loaded in", round(time.time() - started), "s", flush=True)
    net = Net(options.kind, *map(int, options.size.split(","))).to(device)
    print(sum(p.numel() for p in net.parameters()), "weights", flush=True)
    optimiser = torch.optim.AdamW(net.parameters(), 3e-3, weight_decay=1e-2, fused=device == "cuda")

    def losses_of(batch, noise):
        """Losses of tone, onset, tongue, age and screen."""
        x, pitch, want, weight = batch
        x = x.float() / 60
        if noise:
            # The same shift of all levels, and a little of each.
            x = x + 0.03 * torch.randn(len(x), 1, 1, device=device) + 0.02 * torch.randn_like(x)
        out, screen = net(x, pitch)
        found = F.binary_cross_entropy_with_logits(out[:, :3], want[:, :3], weight[:, :3], reduction="none").sum(0)
        age = (F.smooth_l1_loss(out[:, 3], want[:, 3], reduction="none", beta=0.1) * weight[:, 3]).sum()
        some, known = want[:, :2].amax(1) > 0.3, weight[:, :2].amax(1)
        # A note lost costs more than a cell looked at for nothing.
        passed = F.binary_cross_entropy_with_logits(screen, some.float(), known * (1 + 3 * some), reduction="mean")
        return torch.cat([torch.cat([found, age[None]]) / weight.sum(0).clamp(min=1), passed[None]])

    scale = torch.tensor([1.0, 1.0 if options.kind == "causal" else 4.0, 0.2, 0.3, 0.2], device=device)
    learning, step, size = time.time(), 0, 16384
    recent = []
    while time.time() - started < options.seconds:
        share = (time.time() - learning) / (options.seconds - (learning - started))
        for group in optimiser.param_groups:
            group["lr"] = 3e-3 * min(1, step / 200) * (0.5 + 0.5 * np.cos(np.pi * share))
        pick = torch.randint(len(train[0]), (size,), device=device)
        losses = losses_of([t[pick] for t in train], True)
        optimiser.zero_grad()
        (losses * scale).sum().backward()
        nn.utils.clip_grad_norm_(net.parameters(), 1.0)
        optimiser.step()
        step += 1
        if step % 50 == 0:
            recent.append(losses.detach().cpu().numpy())
        if step % 5000 == 0:
            print(step, round(time.time() - started), np.round(np.mean(recent[-100:], 0), 4).tolist(), flush=True)
    net.eval()
    print(step, "steps; learning losses", np.round(np.mean(recent[-100:], 0), 4).tolist(), flush=True)
    parts = [[t[i : i + 65536] for t in check] for i in range(0, len(check[0]), 65536)]
    with torch.no_grad():
        sums = [losses_of(part, False).cpu().numpy() for part in parts]
        read = [net(x.float() / 60, pitch) for x, pitch, _, _ in parts]
        out, screen = torch.cat([r[0] for r in read]), torch.cat([r[1] for r in read])
        hot = (out[:, 0] > -2) | (out[:, 1] > -1)
        limit = torch.sort(screen[hot])[0][int(LOST * hot.sum())]
        net.screen.bias -= limit
        print("the screen keeps back", round((screen[~hot] < limit).float().mean().item(), 3), "of the cells", flush=True)
    print("held-out losses (tone, onset, tongue, age, screen)", np.round(np.mean(sums, 0), 4).tolist(), flush=True)
    write([net.encoder, net.wide, net.narrow, net.out, net.screen], options.out)


if __name__ == "__main__":
    main()
