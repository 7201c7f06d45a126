"""A million random bytes into the reference firmware: no hang, no motion, in step after a delimiter."""

import os

import numpy as np
import pytest
import serial
from simulated_press import PATIENCE_S, built, running_bench, skip_without_tools, wait_until

from rig.wire import AskState, FrameDecoder, Reply, State, StateFlag, encode_frame

skip_without_tools()

BYTES = 1_000_000
CHUNK = 20_000


@pytest.fixture(scope="module")
def build(tmp_path_factory):
    return built(tmp_path_factory)


def rubbish(kind, size, rng):
    """Random bytes; or frames of sound length and stuffing whose check sum is wrong; or torn commands."""
    if kind == "bytes":
        return rng.integers(0, 256, size, dtype=np.uint8).tobytes()
    command = encode_frame(AskState(7))[:-1]
    pieces = []
    while sum(map(len, pieces)) < size:
        if kind == "frames":
            body = rng.integers(1, 256, int(rng.integers(1, 66)), dtype=np.uint8).tobytes()
            pieces.append(bytes([len(body) + 1]) + body + b"\0")
        else:
            cut = int(rng.integers(1, len(command) - 1))
            pieces.append(command[:cut] + (b"\0" if rng.random() < 0.5 else b""))
    return b"".join(pieces)[:size]


def answer(port, decoder, request):
    """The state that answers a request after a delimiter, None if there is none yet."""
    port.write(b"\0" + encode_frame(AskState(request)))
    heard = []

    def answered():
        heard.extend(placed.message for placed in decoder.feed(port.read(4096)).messages)
        return any(isinstance(each, Reply) and each.request == request for each in heard)

    wait_until(answered)
    return next(each for each in heard if isinstance(each, State))


def test_a_million_random_bytes_leave_it_still_and_in_step(build, tmp_path):
    rng = np.random.default_rng(20)
    with (
        running_bench(build, tmp_path, "--pace", "0") as bench,
        serial.Serial(str(tmp_path / "port"), 250_000, timeout=0.05, write_timeout=PATIENCE_S) as port,
    ):
        decoder = FrameDecoder()
        boot_id = answer(port, decoder, 1).boot_id
        for number in range(BYTES // CHUNK):
            kind = ("bytes", "frames", "torn")[number % 3]
            port.write(rubbish(kind, CHUNK, rng))
            port.reset_input_buffer()
        wait_until(lambda: not bench.state["bytes_wait"])
        wait_until(bench.has_run(0.5))
        state = answer(port, decoder, 50_000)
        said = bench.state
        # no reset by the watchdog either
        assert state.boot_id == boot_id
        assert not state.flags & (StateFlag.ARMED | StateFlag.MOVING | StateFlag.LIMITS_SET)
        assert said["steps"] == 0
        assert not said["crashed"]
        # 40 us for each byte at 250 000 baud: all of them went through the chip's serial line
        assert said["time_us"] >= 40 * BYTES


def test_a_command_between_rubbish_is_obeyed(build, tmp_path):
    with (
        running_bench(build, tmp_path) as bench,
        serial.Serial(str(tmp_path / "port"), 250_000, timeout=0.05) as port,
    ):
        decoder = FrameDecoder()
        for request in range(1, 6):
            port.write(os.urandom(150))
            assert answer(port, decoder, request).flags == 0
        assert bench.state["steps"] == 0
