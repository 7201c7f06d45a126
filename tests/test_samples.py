"""The raw table keeps its promises: equal lengths, read-only, one kind only."""

import numpy as np
import pytest

from rig.samples import RawChannel, Samples, Status


def table(n=4, unit="counts", clock="device"):
    raw = np.int32 if unit == "counts" else np.float64
    whole = np.arange(n, dtype=np.int64)
    return Samples(
        whole,
        whole * 10,
        whole.astype(raw),
        -whole.astype(np.int32),
        np.zeros(n, np.uint8),
        RawChannel(unit),
        RawChannel(),
        clock,
    )


def test_columns_of_unequal_length_are_refused():
    whole = np.arange(3)
    with pytest.raises(ValueError, match=r"unequal length: \[3, 3, 3, 2, 3\]"):
        Samples(whole, whole, whole.astype(np.int32), np.zeros(2, np.int32), np.zeros(3, np.uint8))


@pytest.mark.parametrize("column", ["seq", "time_us", "force", "position", "status"])
def test_columns_cannot_be_written_to(column):
    with pytest.raises(ValueError, match="read-only"):
        getattr(table(), column)[0] = 1


def test_a_part_keeps_its_channels_and_clock():
    part = table(5, "N", "host")[1:3]
    np.testing.assert_array_equal(part.seq, [1, 2])
    assert (part.force_channel, part.clock, len(part)) == (RawChannel("N"), "host", 2)


def test_joining_the_parts_gives_the_whole():
    whole = table(7)
    joined = Samples.concatenate([whole[:2], whole[2:2], whole[2:]])
    for column in ("seq", "time_us", "force", "position", "status"):
        np.testing.assert_array_equal(getattr(joined, column), getattr(whole, column))


def test_joining_nothing_is_refused():
    with pytest.raises(ValueError, match="no samples to join"):
        Samples.concatenate([])


@pytest.mark.parametrize("other", [table(unit="N"), table(clock="none")])
def test_parts_of_different_kinds_are_not_joined(other):
    with pytest.raises(ValueError, match="different channels or clocks"):
        Samples.concatenate([table(), other])


@pytest.mark.parametrize(("unit", "kind"), [("counts", np.int32), ("lbf", np.float64)])
def test_empty_samples_have_the_type_that_their_unit_implies(unit, kind):
    empty = Samples.empty(RawChannel(unit))
    assert (len(empty), empty.force.dtype, empty.position.dtype) == (0, kind, np.int32)


def test_status_bits_are_those_of_the_wire_protocol():
    assert [int(bit) for bit in Status] == [1, 2, 4, 8, 16, 32, 64]
    assert Status.FRESH_FORCE == 64
