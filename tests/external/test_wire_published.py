"""C23: the check value of the CRC and example pairs of COBS."""

import numpy as np
import pytest
from cobs import cobs

from rig.wire import FrameDecoder
from rig.wire.frames import seal
from rig.wire.sample_frames import crc_columns, stuff_columns, unstuff_columns

# CRC check value 0x29B1 over "123456789" (ITU-T V.41 polynomial, initial value 0xFFFF).
CHECK_TEXT = b"123456789"
CHECK_VALUE = 0x29B1

# COBS pairs from Cheshire and Baker, Consistent Overhead Byte Stuffing,
# IEEE/ACM Trans. Networking 7(2), 1999.
COBS_PAIRS = [("00", "0101"), ("11220033", "0311220233"), ("11000000", "0211010101")]
PAIRS = pytest.mark.parametrize(
    ("data", "stuffed"), [(bytes.fromhex(data), bytes.fromhex(stuffed)) for data, stuffed in COBS_PAIRS]
)


def columns(*strings):
    return np.array([list(string) for string in strings], np.uint8).T


def test_crc_of_an_encoded_frame_has_the_published_check_value():
    sealed = cobs.decode(seal(CHECK_TEXT)[:-1])
    assert int.from_bytes(sealed[len(CHECK_TEXT) :], "little") == CHECK_VALUE


def test_crc_of_many_frames_at_once_has_the_published_check_value():
    assert crc_columns(columns(CHECK_TEXT, CHECK_TEXT)).tolist() == [CHECK_VALUE, CHECK_VALUE]


@pytest.mark.parametrize(("crc", "outcome"), [(CHECK_VALUE, "unknown_type"), (CHECK_VALUE ^ 1, "bad_crc")])
def test_decoder_accepts_the_published_check_value_and_no_other(crc, outcome):
    # The digits make no message of the protocol, so a frame with the right CRC is of unknown type.
    decoder = FrameDecoder()
    decoder.feed(cobs.encode(CHECK_TEXT + crc.to_bytes(2, "little")) + b"\0")
    assert decoder.tally.as_dict()[outcome] == decoder.tally.rejected == 1


@PAIRS
def test_published_pairs_are_stuffed(data, stuffed):
    assert stuff_columns(columns(data)).T.tobytes() == stuffed


@PAIRS
def test_published_pairs_are_unstuffed(data, stuffed):
    back, whole = unstuff_columns(columns(stuffed))
    assert whole.all()
    assert back.T.tobytes() == data
