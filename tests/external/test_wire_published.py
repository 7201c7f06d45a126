"""The check value of the CRC and example pairs of COBS."""

import numpy as np
import pytest
from cobs import cobs

from rig.wire import FrameDecoder
from rig.wire.frames import seal
from rig.wire.sample_frames import crc_columns, stuff_columns, unstuff_columns

CHECK_TEXT = b"123456789"
CHECK_VALUE = 0x29B1

# The header of an internet packet, which holds three zeros, and what becomes of it.
COBS_PAIRS = [("4500002C4C79000040064F37", "02450104" + "2C4C79" + "0105" + "40064F37")]
PAIRS = pytest.mark.parametrize(
    ("data", "stuffed"), [(bytes.fromhex(data), bytes.fromhex(stuffed)) for data, stuffed in COBS_PAIRS]
)


def bitwise_crc(data: bytes) -> int:
    """Remainder of the division by x^16 + x^12 + x^5 + 1, bit by bit, beginning with all ones."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte << 8
        for _ in range(8):
            crc = (crc << 1 ^ 0x1021 if crc & 0x8000 else crc << 1) & 0xFFFF
    return crc


def columns(*strings):
    return np.array([list(string) for string in strings], np.uint8).T


def test_crc_of_an_encoded_frame_has_the_published_check_value():
    # Source: the check value that catalogues of CRCs give for polynomial 0x1021, initial value 0xFFFF
    # (Cook's catalogue, CRC-16/IBM-3740, year not verified; the polynomial: ITU-T V.41, 1988; all
    # recalled); recomputed bit by bit below.
    assert bitwise_crc(CHECK_TEXT) == CHECK_VALUE
    sealed = cobs.decode(seal(CHECK_TEXT)[:-1])
    assert int.from_bytes(sealed[len(CHECK_TEXT) :], "little") == CHECK_VALUE


def test_crc_of_many_frames_at_once_has_the_published_check_value():
    # Source: the check value that catalogues of CRCs give for polynomial 0x1021, initial value 0xFFFF
    # (Cook's catalogue, CRC-16/IBM-3740, year not verified; the polynomial: ITU-T V.41, 1988; all
    # recalled); recomputed bit by bit below.
    assert crc_columns(columns(CHECK_TEXT, CHECK_TEXT)).tolist() == [CHECK_VALUE, CHECK_VALUE]


@pytest.mark.parametrize(("crc", "outcome"), [(CHECK_VALUE, "unknown_type"), (CHECK_VALUE ^ 1, "bad_crc")])
def test_decoder_accepts_the_published_check_value_and_no_other(crc, outcome):
    # Source: the check value that catalogues of CRCs give for polynomial 0x1021, initial value 0xFFFF
    # (Cook's catalogue, CRC-16/IBM-3740, year not verified; the polynomial: ITU-T V.41, 1988; all
    # recalled); recomputed bit by bit below.
    # The digits make no message of the protocol, so a frame with the right CRC is of unknown type.
    decoder = FrameDecoder()
    decoder.feed(cobs.encode(CHECK_TEXT + crc.to_bytes(2, "little")) + b"\0")
    assert decoder.tally.as_dict()[outcome] == decoder.tally.rejected == 1


@PAIRS
def test_published_pairs_are_stuffed(data, stuffed):
    # Source: S. Cheshire and M. Baker, Consistent Overhead Byte Stuffing, IEEE/ACM Transactions on
    # Networking 7(2), 1999, its worked example of a packet; recalled.
    assert stuff_columns(columns(data)).T.tobytes() == stuffed


@PAIRS
def test_published_pairs_are_unstuffed(data, stuffed):
    # Source: S. Cheshire and M. Baker, Consistent Overhead Byte Stuffing, IEEE/ACM Transactions on
    # Networking 7(2), 1999, its worked example of a packet; recalled.
    back, whole = unstuff_columns(columns(stuffed))
    assert whole.all()
    assert back.T.tobytes() == data
