"""The files of weights: each layer's inputs and outputs (u32); by output a step (float32) and its weights in steps (int8);
biases (float32). All little-endian. In memory a layer is (weights, outputs x inputs; biases), float32."""
import struct

import numpy as np

# Steps that each output's largest weight is written in.
STEPS = 127


def read(path):
    """The layers of a file."""
    layers = []
    with open(path, "rb") as file:
        while head := file.read(8):
            inputs, outputs = struct.unpack("<II", head)
            rows = []
            for _ in range(outputs):
                (step,) = struct.unpack("<f", file.read(4))
                rows.append(step * np.frombuffer(file.read(inputs), "i1").astype(np.float32))
            layers.append((np.stack(rows), np.frombuffer(file.read(4 * outputs), "<f4").astype(np.float32)))
    return layers


def write(layers, path):
    with open(path, "wb") as file:
        for weights, biases in layers:
            file.write(struct.pack("<II", weights.shape[1], weights.shape[0]))
            for row in weights:
                step = np.float32(max(np.abs(row).max(), 1e-12) / STEPS)
                file.write(step.tobytes() + np.round(row / step).astype("i1").tobytes())
            file.write(biases.astype("<f4").tobytes())
