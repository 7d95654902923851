#!/usr/bin/env python3
"""The mean of several files of weights, in weight space (Wortsman et al., Model soups, ICML 2022).

usage: average.py OUT WEIGHTS SHARE [WEIGHTS SHARE ...]

Shares are of any sum. Only weights that were learned on from the same ones have a mean that means anything.
"""
import sys

import weights


def main(out, *pairs):
    files = [weights.read(path) for path in pairs[::2]]
    shares = [float(share) for share in pairs[1::2]]
    shares = [share / sum(shares) for share in shares]
    mean = []
    for layers in zip(*files, strict=True):  # the same layer of each file
        mean.append(tuple(sum(share * part for share, part in zip(shares, parts)) for parts in zip(*layers)))
    weights.write(mean, out)


if __name__ == "__main__":
    if len(sys.argv) < 4 or len(sys.argv) % 2:
        sys.exit(__doc__)
    main(*sys.argv[1:])
