"""Emulated nodes on pseudo-terminals, in a process of their own: python -m tests.bench.nodes COUNT ROWS [MEGABYTES].

Prints the ports. Each node sends 1,000 rows a second of four channels, ROWS a frame, in real time; with MEGABYTES one
node sends that much as fast as it is read, and ends.
"""

import os
import select
import sys
import time
import tty

import numpy as np

from recorder.frames import Deframer, Frame, FrameType, decode_body, description_frames, encode_body, to_line
from recorder.node import Channel, Group, NodeDescription

RATE_HZ, BOOT = 1000.0, 7
CHANNELS = (
    Channel("low_side", "kPa", "vented_gauge", scale=0.01),
    Channel("high_side", "kPa", "vented_gauge", scale=0.01),
    Channel("vent", "degC", scale=0.001),
    Channel("suction_line", "degC", scale=0.001),
)


def described(name: str) -> NodeDescription:
    """A node of four channels."""
    return NodeDescription(name, "bench", 1, (Group(0, RATE_HZ, "int32", CHANNELS),))


def payloads(rows: int, count: int = 64) -> list[bytes]:
    """Wandering values, so that nothing packs better than a measurement would."""
    steps = np.random.default_rng(1).integers(-3, 4, (rows * count, len(CHANNELS)))
    values = (20_000 + np.cumsum(steps, axis=0)).astype("<i4")
    return [block.tobytes() for block in np.split(values, count)]


def samples_line(seq: int, rows: int, payload: bytes) -> bytes:
    """A frame of samples as it goes on the line."""
    tick_us = round((seq + 1) * rows * 1e6 / RATE_HZ)
    return to_line(encode_body(Frame(FrameType.SAMPLES, BOOT, count=rows, seq=seq, tick_us=tick_us, payload=payload)))


class Node:
    """One node and its terminal."""

    def __init__(self, number: int) -> None:
        self.near, far = os.openpty()
        tty.setraw(far)
        self.name, self.port = f"bench-{number}", os.ttyname(far)
        self.streaming = False
        self._deframer = Deframer()

    def send(self, line: bytes) -> None:
        """Write all of it."""
        left = memoryview(line)
        while left:
            left = left[os.write(self.near, left) :]

    def listen(self) -> None:
        """Answer what the host asks."""
        for body in self._deframer.feed(os.read(self.near, 65536)):
            asked = decode_body(body)
            if asked.type is FrameType.HELLO:
                self.streaming = True
                for frame in description_frames(described(self.name).to_json(), 1, BOOT, 0, 200):
                    self.send(to_line(encode_body(frame)))
            elif asked.type is FrameType.ECHO_REQUEST:
                self.send(to_line(encode_body(Frame(FrameType.ECHO, BOOT, payload=asked.payload))))
            elif asked.type is FrameType.STOP:
                self.streaming = False


def in_real_time(nodes: list[Node], rows: int) -> None:
    """Stream until killed."""
    made, started_s = payloads(rows), time.monotonic()
    seq = 0
    while True:
        due_s = started_s + (seq + 1) * rows / RATE_HZ
        ready, _, _ = select.select([n.near for n in nodes], [], [], max(0.0, due_s - time.monotonic()))
        for node in nodes:
            if node.near in ready:
                node.listen()
        if time.monotonic() >= due_s:
            for number, node in enumerate(nodes):
                if node.streaming:
                    node.send(samples_line(seq, rows, made[(seq + number) % len(made)]))
            seq += 1


def at_full_speed(node: Node, rows: int, megabytes: float) -> None:
    """Send so much once a host is there, then end."""
    made, line, frames = payloads(rows), bytearray(), 0
    while len(line) < megabytes * 1e6:
        line += samples_line(frames, rows, made[frames % len(made)])
        frames += 1
    print(frames, len(line), flush=True)
    while not node.streaming:
        node.listen()
    node.send(bytes(line))
    node.send(to_line(encode_body(Frame(FrameType.END, BOOT))))
    time.sleep(60.0)


if __name__ == "__main__":
    all_nodes = [Node(number) for number in range(int(sys.argv[1]))]
    print(*(node.port for node in all_nodes), flush=True)
    if len(sys.argv) > 3:
        at_full_speed(all_nodes[0], int(sys.argv[2]), float(sys.argv[3]))
    else:
        in_real_time(all_nodes, int(sys.argv[2]))
