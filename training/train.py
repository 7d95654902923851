"""Learns the weights of the tone evidence from labelled cells. One command, seeded.

usage: train.py offline|causal LABELLED OUT [--seconds 400] [--size 48,192,48] [--without ORIGIN ...] [--from WEIGHTS] [--remove]

LABELLED  folder of line-NNNNN.npz (written by cells.py, which may still be writing: more lines are learned from as
          they come, until the memory for --cells is full). Each twelfth line is held out.
OUT       file of weights for the program

The network is the same at every pitch. One pitch sounds at a moment, or none: the tone's log odds of all pitches asked
about at a moment, and zero for silence, are learned together as one choice (softmax). Needs PyTorch; an accelerator makes
it minutes.
"""
import argparse
import os
import threading
import time
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import torch
from torch import nn
from torch.nn import functional as F

import weights
from label import FEATURES, OFFSETS

# Which of the offsets (their places in src/analysis/tone/layout.rs) the screen reads: 4 moments before, now and 4 after;
# live, 7 and 2 before, and now.
SCREEN = {"offline": (7, 11, 15), "causal": (9, 13, 15)}
# Share of the cells that the network would believe in that may be lost to the screen.
LOST = 0.002
# Pitches asked about in a moment at most (`CELLS` in src/analysis/tone/selection.rs).
CELLS = 18
# Moments learned from in a step.
BATCH = 4096


# Share of the time after which weights are learned as they will be written.
STEPPED = 0.6


def steps_of(rows):
    """The step that each output's weights (outputs x inputs) are written in (outputs x 1)."""
    return rows.abs().amax(1, keepdim=True).clamp(min=1e-12) / weights.STEPS


class Layer(nn.Linear):
    """A linear layer whose weights are rounded to whole steps where that is set, while what is learned is not
    (straight-through estimator: Bengio, Leonard and Courville, arXiv 1308.3432, 2013)."""

    stepped = False

    def forward(self, x):
        rows = self.weight
        if self.stepped:
            step = steps_of(rows.detach())
            rows = rows + ((rows / step).round() * step - rows).detach()
        return F.linear(x, rows, self.bias)


class Net(nn.Module):
    """The same encoder for each offset, then two layers over all of them."""

    def __init__(self, kind, encoder=48, wide=192, narrow=48):
        super().__init__()
        offsets = OFFSETS[kind]
        self.screened = SCREEN[kind]
        self.encoder = Layer(FEATURES, encoder)
        self.screen = Layer(len(self.screened) * encoder + 2, 1)
        self.wide = Layer(offsets * encoder + 2, wide)
        self.narrow = Layer(wide, narrow)
        self.out = Layer(narrow, 4)

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


def choice(tone, want, weight, there):
    """Loss of the choice among a moment's cells and silence, and whether the likeliest is right (shape moments x cells)."""
    counts = there & (weight > 0)
    odds = torch.cat([torch.where(counts, tone, -torch.inf), torch.zeros_like(tone[:, :1])], 1)
    right = torch.cat([counts & (want > 0.5), ~(counts & (want > 0.5)).any(1, keepdim=True)], 1)
    loss = odds.logsumexp(1) - torch.where(right, odds, -torch.inf).logsumexp(1)
    sounding = right[:, :-1]
    share = torch.where(sounding.any(1), (weight * sounding).sum(1) / sounding.sum(1).clamp(min=1), 1.0)
    return (loss * share).sum() / share.sum(), right.gather(1, odds.argmax(1, keepdim=True)).float().mean()


class Cells:
    """Cells of lines on the device: columns x, pitch, want and weight, and by moment where its cells begin and how many
    there are. Lines can be added while others are learned from."""

    def __init__(self, room, device):
        self.room, self.device, self.columns = room, device, None
        self.starts, self.counts = (torch.zeros(room // 4, dtype=torch.int64, device=device) for _ in range(2))
        self.cells = self.moments = 0

    def add(self, line):
        """Adds a line, a dict of its file's arrays. Says whether there was room for it."""
        count = torch.from_numpy(line["count"].astype(np.int64)).to(self.device)
        parts = [torch.from_numpy(line[name]) for name in ("x", "pitch", "want", "weight")]
        cells, moments = self.cells + len(parts[0]), self.moments + len(count)
        if cells > self.room or moments > len(self.starts):
            return False
        if self.columns is None:
            self.columns = [torch.empty((self.room, *part.shape[1:]), dtype=part.dtype, device=self.device) for part in parts]
        for column, part in zip(self.columns, parts):
            column[self.cells : cells] = part.to(self.device)
        self.starts[self.moments : moments] = self.cells + count.cumsum(0) - count
        self.counts[self.moments : moments] = count
        if self.device == "cuda":
            torch.cuda.current_stream().synchronize()
        # Only now may they be drawn.
        self.cells, self.moments = cells, moments
        return True


class Growing:
    """The lines of a folder, those held out apart, read again and again while more are written."""

    def __init__(self, folder, without, room, device, remove=False):
        self.folder, self.without, self.remove = folder, without, remove
        self.train, self.check = Cells(room, device), Cells(room // 10, device)
        self.seen, self.more = set(), True
        self.ended = threading.Event()

    def read(self, path):
        with np.load(path) as file:
            line = None if file["origin"] in self.without else {name: file[name] for name in file.files}
        if self.remove:
            os.remove(path)
        return line

    def look(self):
        """Adds the lines that are new, until there is no room for more."""
        paths = sorted(e.path for e in os.scandir(self.folder) if e.name.endswith(".npz") and e.name not in self.seen)
        with ThreadPoolExecutor(4) as pool:
            for at in range(0, len(paths), 64):
                some = paths[at : at + 64]
                for path, line in zip(some, pool.map(self.read, some)):
                    name = os.path.basename(path)
                    self.seen.add(name)
                    held_out = int("".join(filter(str.isdigit, name)) or 0) % 12 == 0
                    into = self.check if held_out else self.train
                    if line is not None and not into.add(line) and not held_out:
                        self.more = False
                        return

    def follow(self):
        """Looks every few seconds, in a thread of its own."""

        def looking():
            while self.more and not self.ended.wait(5):
                self.look()

        self.follower = threading.Thread(target=looking, daemon=True)
        self.follower.start()

    def stop(self):
        """Ends `follow`: a thread that still reads while Python ends would abort it."""
        self.ended.set()
        self.follower.join()


def write(layers, path):
    """Writes the layers as the program reads them."""
    weights.write([(layer.weight.detach().cpu().numpy(), layer.bias.detach().cpu().numpy()) for layer in layers], path)


def read_back(layers, path):
    """Sets the layers to what `write` wrote."""
    with torch.no_grad():
        for layer, (rows, biases) in zip(layers, weights.read(path), strict=True):
            layer.weight.copy_(torch.from_numpy(rows))
            layer.bias.copy_(torch.from_numpy(biases))


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("kind", choices=OFFSETS)
    parser.add_argument("labelled")
    parser.add_argument("out")
    parser.add_argument("--seconds", type=float, default=400, help="in all, loading too")
    parser.add_argument("--size", default="48,192,48", help="of the encoder and the two layers after it")
    parser.add_argument("--without", nargs="*", default=[], metavar="ORIGIN", help="leave lines of these origins out")
    parser.add_argument("--from", dest="begin", metavar="WEIGHTS", help="go on learning from these, an eighth as fast")
    parser.add_argument("--cells", type=int, default=70_000_000, help="that there is memory for, about 1 kB each")
    parser.add_argument("--remove", action="store_true", help="remove each line's file once it is read")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    torch.manual_seed(options.seed)
    torch.set_float32_matmul_precision("high")
    device = "cuda" if torch.cuda.is_available() else "cpu"
    started = time.time()
    data = Growing(options.labelled, options.without, options.cells, device, options.remove)
    while data.train.moments < BATCH or not data.check.moments:
        if not data.more or time.time() - started > options.seconds:
            parser.error(f"{options.labelled}: too few lines to learn from and to hold out, or --cells too small")
        data.look()
        time.sleep(1)
    train, check = data.train, data.check
    print(train.cells, "cells to learn from,", check.cells, "held out, after", round(time.time() - started), "s", flush=True)
    data.follow()
    net = Net(options.kind, *map(int, options.size.split(","))).to(device)
    print(sum(p.numel() for p in net.parameters()), "weights", flush=True)
    layers = [net.encoder, net.wide, net.narrow, net.out, net.screen]
    rate = 3e-3
    if options.begin:
        read_back(layers, options.begin)
        rate /= 8
    optimiser = torch.optim.AdamW(net.parameters(), rate, weight_decay=1e-2, fused=device == "cuda")
    places = torch.arange(CELLS, device=device)

    def cells_of(data, moments):
        """The cells of some moments, and which of a moment's places they are in (shape moments x CELLS)."""
        there = places < data.counts[moments, None]
        rows = (data.starts[moments, None] + places)[there]
        return [column[rows] for column in data.columns], there

    def placed(values, there):
        """Values of cells in their places (shape moments x CELLS)."""
        return values.new_zeros(there.shape).masked_scatter(there, values)

    def losses_of(data, moments, noise):
        """Losses of tone, onset, tongue, age and screen, and the share of moments whose likeliest choice is right."""
        (x, pitch, want, weight), there = cells_of(data, moments)
        x = x.float() / 60
        if noise:
            # The same shift of all levels, and a little of each.
            x = x + 0.03 * torch.randn(len(x), 1, 1, device=device) + 0.02 * torch.randn_like(x)
        out, screen = net(x, pitch)
        tone, right = choice(*(placed(values[:, 0].contiguous(), there) for values in (out, want, weight)), there)
        found = F.binary_cross_entropy_with_logits(out[:, 1:3], want[:, 1:3], weight[:, 1:3], reduction="none").sum(0)
        age = (F.smooth_l1_loss(out[:, 3], want[:, 3], reduction="none", beta=0.1) * weight[:, 3]).sum()
        some, known = want[:, :2].amax(1) > 0.3, weight[:, :2].amax(1)
        # A note lost costs more than a cell looked at for nothing.
        passed = F.binary_cross_entropy_with_logits(screen, some.float(), known * (1 + 3 * some), reduction="mean")
        found = torch.cat([found, age[None]]) / weight[:, 1:].sum(0).clamp(min=1)
        return torch.cat([tone[None], found, passed[None], right[None]]), out, screen, there

    scale = torch.tensor([0.2, 1.0 if options.kind == "causal" else 4.0, 0.2, 0.3, 0.2, 0.0], device=device)
    learning, step = time.time(), 0
    recent = []
    while time.time() - started < options.seconds:
        share = (time.time() - learning) / (options.seconds - (learning - started))
        for group in optimiser.param_groups:
            group["lr"] = rate * min(1, step / 200) * (0.5 + 0.5 * np.cos(np.pi * share))
        if share > STEPPED:
            for layer in layers:
                layer.stepped = True
        losses = losses_of(train, torch.randint(train.moments, (BATCH,), device=device), True)[0]
        optimiser.zero_grad()
        (losses * scale).sum().backward()
        nn.utils.clip_grad_norm_(net.parameters(), 1.0)
        optimiser.step()
        step += 1
        if step % 50 == 0:
            recent.append(losses.detach().cpu().numpy())
        if step % 5000 == 0:
            print(step, round(time.time() - started), train.cells, np.round(np.mean(recent[-100:], 0), 4).tolist(), flush=True)
    data.stop()
    net.eval()
    print(step, "steps; learning losses", np.round(np.mean(recent[-100:], 0), 4).tolist(), flush=True)
    read = []
    with torch.no_grad():
        for moments in torch.arange(check.moments, device=device).split(4096):
            losses, out, screen, there = losses_of(check, moments, False)
            tone = placed(out[:, 0].contiguous(), there).masked_fill(~there, -torch.inf)
            # The log probability that a cell's pitch sounds and nothing else.
            sounds = tone - torch.cat([tone, torch.zeros_like(tone[:, :1])], 1).logsumexp(1, keepdim=True)
            read.append((losses, screen, (sounds[there] > -2) | (out[:, 1] > -1)))
        screen, hot = torch.cat([r[1] for r in read]), torch.cat([r[2] for r in read])
        limit = torch.sort(screen[hot])[0][int(LOST * hot.sum())]
        net.screen.bias -= limit
    print("the screen keeps back", round((screen[~hot] < limit).float().mean().item(), 3), "of the cells", flush=True)
    print("held out (tone, onset, tongue, age, screen, right)", np.round(torch.stack([r[0] for r in read]).mean(0).tolist(), 4).tolist(), flush=True)
    write(layers, options.out)


if __name__ == "__main__":
    main()
