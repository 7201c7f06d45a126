"""Line format: any damage, any chopping, against a plain reading of the protocol written here."""

import re
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.errors import InputError
from rig.wire import LineDecoder, LineFormat, Note, SampleBlock, encode_lines

ALL_COLUMNS = LineFormat(
    columns=("seq", "time_us", "ignore", "force", "position", "status"), checksum="xor8", comment="//"
)
FORMATS = {
    "default": LineFormat(),
    "all columns, checksum": ALL_COLUMNS,
    "blanks, scaled": LineFormat("whitespace", ("time_ms", "force", "position"), 20, "N", "mm"),
    "semicolons, no time": LineFormat(
        ";", ("ignore", "position", "force"), None, "lbf", "counts", comment=""
    ),
    "tabs, seconds": LineFormat("\t", ("force", "position", "time_s"), None, "counts", "mm"),
    "temperatures, humidity": LineFormat(
        columns=("specimen_temperature", "time_us", "force", "humidity", "position", "ambient_temperature"),
        auxiliary_scales={"ambient_temperature": (32.0, 0.5)},
    ),
}
EVERY_FORMAT = pytest.mark.parametrize("line_format", FORMATS.values(), ids=FORMATS.keys())
CAUSES = ("too_long", "wrong_columns", "bad_checksum", "not_a_number", "out_of_range")
SLOW = ("specimen_temperature", "ambient_temperature", "humidity")
UNIT_US = {"time_us": 1, "time_ms": 1000, "time_s": 1_000_000}


def number_of(text, whole):
    """A field's number, or None if it is not one of the kind its column asks for."""
    if not re.fullmatch(r"[0-9+-]+" if whole else r"[0-9+.eE-]+", text):
        return None
    try:
        return int(text) if whole else float(text)
    except ValueError:
        return None


def possible(name, value, f):
    scaled = {"force": f.force_unit, "position": f.position_unit}.get(name, "counts") != "counts"
    if name in UNIT_US:
        end_us = 2**53 if f.time_bits is None else 2**f.time_bits * UNIT_US[name]
        return 0 <= value * UNIT_US[name] <= end_us - 1
    if name in SLOW:
        return abs(value) <= 1e6
    if name in ("seq", "status"):
        return 0 <= value < {"seq": 2**16, "status": 2**8}[name]
    return abs(value) != float("inf") if scaled else -(2**31) <= value < 2**31


def judge(line, f):  # noqa: PLR0911 - one return for each case of the protocol
    """("sample", {column: number}), ("note", text), ("blank", None) or a cause."""
    text = line.decode("latin-1")
    if len(line) > 256:
        return ("too_long", None)
    if not text.strip(" \t"):
        return ("blank", None)
    if f.comment and text.strip(" \t").startswith(f.comment):
        return ("note", None)
    if f.checksum == "xor8":
        body, star, stated = line.rpartition(b"*")
        total = 0
        for byte in body:
            total ^= byte
        if not star or stated != f"{total:02X}".encode():
            return ("bad_checksum", None)
        text = body.decode("latin-1")
    blank_split = f.separator == "whitespace"
    parts = re.split("[ \t]+", text.strip(" \t")) if blank_split else text.split(f.separator)
    if len(parts) != len(f.columns):
        return ("wrong_columns", None)
    row = {}
    for name, part in zip(f.columns, parts, strict=True):
        if name == "ignore":
            if "*" in part and f.checksum == "xor8":
                return ("not_a_number", None)
            continue
        units = {"force": f.force_unit, "position": f.position_unit}
        whole = name not in UNIT_US and name not in SLOW and units.get(name, "counts") == "counts"
        row[name] = number_of(part.strip(" \t"), whole)
    if None in row.values():
        return ("not_a_number", None)
    if not all(possible(name, value, f) for name, value in row.items()):
        return ("out_of_range", None)
    return ("sample", row)


def plain_decoder(stream, f):
    counts = dict.fromkeys((*CAUSES, "accepted", "bytes_accepted", "bytes_discarded"), 0)
    rows, bad = [], []
    *lines, rest = re.split(rb"[\r\n]", stream)
    for line in lines:
        what, value = judge(line, f)
        rows += [value] if what == "sample" else []
        if what in CAUSES:
            counts[what] += 1
            bad.append(line[:256])
        counts["accepted"] += what in ("sample", "note")
        counts["bytes_discarded" if what in CAUSES else "bytes_accepted"] += len(line) + 1
    if len(rest) > 256:
        counts["too_long"] += 1
        counts["bytes_discarded"] += len(rest)
        bad.append(rest[:256])
    return rows, counts, bad


def rows_of(block, f):
    """The block's samples as the plain decoder gives them, time in microseconds."""
    columns = {"seq": block.seq, "force": block.force, "position": block.position}
    columns |= {"status": block.status if block.has_status else None}
    columns |= {"time_us": block.time_us}
    columns |= block.auxiliary
    present = {name: column.tolist() for name, column in columns.items() if column is not None}
    return [dict(zip(present, values, strict=True)) for values in zip(*present.values(), strict=True)]


def in_recorded_units(row, f):
    """The same with time in microseconds, and slow quantities in their own units."""
    scaled = {}
    for name, value in row.items():
        if name in UNIT_US:
            scaled["time_us"] = round(value * UNIT_US[name])
        elif name in f.auxiliary_scales:
            zero, slope = f.auxiliary_scales[name]
            scaled[name] = (value - zero) * slope
        else:
            scaled[name] = value
    return scaled


BLANKS = st.sampled_from(["", "", " ", "\t"])
ODD_FIELDS = [
    *("nan", "inf", "-inf", "1e999", "-0", "+5", "1_0", "0x10", "1.5", ".5", "5.", "1e3", ".", "e5", "--"),
    *("1,2", "٣", "#", "1\v", "-1.25e-2", "4294967295.5"),
]


def streams(f):
    separator = " " if f.separator == "whitespace" else f.separator
    whole = st.one_of(
        st.integers(0, 255),
        st.integers(-300, 70_000),
        st.sampled_from([2**31 - 1, 2**31, -(2**31), -(2**31) - 1, 2**32 - 1, 2**32, 2**53, 10**30]),
    ).map(str)
    odd = st.sampled_from(ODD_FIELDS)
    fields = st.one_of(whole, whole, whole, st.floats(-1e6, 1e6).map(repr), odd, st.just(""))
    padded = st.builds("{}{}{}".format, BLANKS, fields, BLANKS)

    def line(parts, checksum):
        body = separator.join(parts).encode()
        total = 0
        for byte in body:
            total ^= byte
        return body + (b"*%02X" % (total ^ checksum) if f.checksum == "xor8" else b"")

    width = len(f.columns)
    lines = st.one_of(
        st.builds(line, st.lists(st.integers(0, 99).map(str), min_size=width, max_size=width), st.just(0)),
        st.builds(
            line,
            st.lists(padded, min_size=width, max_size=width),
            st.sampled_from([0, 0, 0, 1]),
        ),
        st.builds(line, st.lists(padded, max_size=width + 2), st.just(0)),
        st.binary(max_size=12),
        st.text("0123456789+-.,;eE_#*/ \tnainf", max_size=20).map(str.encode),
        st.integers(250, 600).map(lambda n: b"0" * n),
        st.integers(200, 260).map(lambda n: line(["1"] * (width - 1) + ["0" * n], 0)),
        st.sampled_from([b"# force gauge", b"// zeroed", b" \t", b"", b"#", b"1,2,3*00"]),
    )
    ends = st.sampled_from([b"\n", b"\r\n", b"\r", b"\n\n", b""])
    return st.lists(st.tuples(lines, ends).map(b"".join), max_size=20).map(b"".join)


def chopped(stream, cuts):
    places = sorted({0, len(stream), *(cut % (len(stream) + 1) for cut in cuts)})
    return [stream[a:b] for a, b in pairwise(places)]


@EVERY_FORMAT
@settings(deadline=None, max_examples=60)
@given(st.data())
def test_decoder_agrees_with_a_plain_one(line_format, data):
    stream = data.draw(streams(line_format))
    decoder = LineDecoder(line_format)
    block = decoder.feed(stream).samples
    rows, counts, bad = plain_decoder(stream, line_format)
    assert rows_of(block, line_format) == [in_recorded_units(row, line_format) for row in rows]
    assert {name: decoder.tally.as_dict()[name] for name in counts} == counts
    assert decoder.first_rejected == (bad[0] if bad else None)
    assert decoder.last_rejected == (bad[-1] if bad else None)


@EVERY_FORMAT
@settings(deadline=None, max_examples=60)
@given(st.data(), st.lists(st.integers(0, 5000), max_size=30))
def test_any_chopping_gives_the_same_samples_and_tally(line_format, data, cuts):
    stream = data.draw(streams(line_format))
    whole, pieces = LineDecoder(line_format), LineDecoder(line_format)
    once = whole.feed(stream)
    parts = [pieces.feed(piece) for piece in chopped(stream, cuts)]
    rows, messages = [], []
    for part in parts:
        messages += [(len(rows) + placed.position, placed.message) for placed in part.messages]
        rows += rows_of(part.samples, line_format)
    assert rows == rows_of(once.samples, line_format)
    assert messages == [(placed.position, placed.message) for placed in once.messages]
    assert pieces.tally == whole.tally
    assert (pieces.first_rejected, pieces.last_rejected) == (whole.first_rejected, whole.last_rejected)


@EVERY_FORMAT
@settings(deadline=None, max_examples=30)
@given(st.data())
def test_one_byte_at_a_time_accounts_for_every_byte(line_format, data):
    stream = data.draw(streams(line_format))
    decoder = LineDecoder(line_format)
    for count, byte in enumerate(stream, start=1):
        decoder.feed(bytes([byte]))
        tally = decoder.tally
        assert tally.bytes_accepted + tally.bytes_discarded + decoder.pending_bytes == count
        assert decoder.pending_bytes <= 256


@EVERY_FORMAT
@settings(deadline=None, max_examples=60)
@given(st.data())
def test_samples_round_trip(line_format, data):
    count = data.draw(st.integers(0, 20))

    def column(values, dtype):
        return np.array(data.draw(st.lists(values, min_size=count, max_size=count)), dtype)

    def raw(unit):
        if unit == "counts":
            return column(st.integers(-(2**31), 2**31 - 1), np.int32)
        return column(st.floats(allow_nan=False, allow_infinity=False), np.float64)

    modulus_us = line_format.time_modulus_us or 10**12
    block = SampleBlock(
        column(st.integers(0, 2**16 - 1), np.int64),
        column(st.integers(0, modulus_us - 1), np.int64),
        raw(line_format.force_unit),
        raw(line_format.position_unit),
        column(st.integers(0, 255), np.uint8),
        auxiliary={name: column(st.integers(-500, 500), np.float64) / 8 for name in SLOW},
    )
    decoder = LineDecoder(line_format)
    back = decoder.feed(encode_lines(block, line_format)).samples
    assert (decoder.tally.accepted, decoder.tally.rejected) == (count, 0)
    assert back.force.tolist() == block.force.tolist()
    assert back.position.tolist() == block.position.tolist()
    assert back.force.dtype == block.force.dtype
    if back.time_us is not None:
        assert back.time_us.tolist() == block.time_us.tolist()
    if back.seq is not None:
        assert back.seq.tolist() == block.seq.tolist()
    if back.has_status:
        assert back.status.tolist() == block.status.tolist()
    assert set(back.auxiliary) == set(line_format.columns) & set(SLOW)
    for name, values in back.auxiliary.items():
        assert values.tolist() == block.auxiliary[name].tolist()


@pytest.mark.parametrize(
    ("line", "cause"),
    [
        (b"1,2", "wrong_columns"),
        (b"1,2,3,4", "wrong_columns"),
        (b"1,1_0,3", "not_a_number"),
        (b"1,nan,3", "not_a_number"),
        (b"1,inf,3", "not_a_number"),
        (b"1,0x1F,3", "not_a_number"),
        (b"1,2.5,3", "not_a_number"),
        (b"time,force,position", "not_a_number"),
        (b"1,2147483648,3", "out_of_range"),
        (b"4294967296,2,3", "out_of_range"),
        (b"-1,2,3", "out_of_range"),
        (b"0" * 252 + b"1,2,3", "too_long"),
    ],
)
def test_a_bad_line_is_counted_by_its_cause_and_kept_for_the_log(line, cause):
    decoder = LineDecoder(LineFormat())
    samples = decoder.feed(b"10,20,30\n" + line + b"\n11,21,31\n").samples
    assert samples.force.tolist() == [20, 21]
    assert decoder.tally.as_dict()[cause] == decoder.tally.rejected == 1
    assert decoder.last_rejected == line[:256]


@pytest.mark.parametrize(("column", "largest"), [("seq", 65_535), ("status", 255)])
def test_seq_and_status_stay_within_their_bits(column, largest):
    decoder = LineDecoder(LineFormat(columns=(column, "force", "position")))
    decoder.feed(f"{largest},1,2\n{largest + 1},1,2\n-1,1,2\n".encode())
    assert (decoder.tally.accepted, decoder.tally.out_of_range) == (1, 2)


@pytest.mark.parametrize(
    ("field", "cause"),
    [
        ("warm", "not_a_number"),
        ("nan", "not_a_number"),
        ("-inf", "not_a_number"),
        ("21.5C", "not_a_number"),
        ("", "not_a_number"),
        ("1e999", "out_of_range"),
        ("-1000001", "out_of_range"),
        ("21,5", "wrong_columns"),
    ],
)
def test_a_temperature_that_is_none_costs_its_own_line_only(field, cause):
    decoder = LineDecoder(LineFormat(columns=("time_us", "force", "position", "specimen_temperature")))
    samples = decoder.feed(f"10,20,30,21.5\n20,21,31,{field}\n30,22,32,.5e2\n".encode()).samples
    assert samples.force.tolist() == [20, 22]
    assert samples.auxiliary["specimen_temperature"].tolist() == [21.5, 50.0]
    assert decoder.tally.as_dict()[cause] == decoder.tally.rejected == 1


def test_a_comment_is_no_sample_even_where_the_first_column_is_skipped():
    decoded = LineDecoder(LineFormat(columns=("ignore", "force", "position"))).feed(b"#,1,2\nA,1,2\n")
    assert len(decoded.samples) == 1
    assert [placed.message for placed in decoded.messages] == [Note(",1,2")]


def test_the_longest_line_is_accepted():
    decoder = LineDecoder(LineFormat())
    samples = decoder.feed(b"0" * 251 + b"7,2,3\n").samples
    assert (samples.time_us.tolist(), decoder.tally.rejected) == ([7], 0)


@pytest.mark.parametrize(
    ("line", "outcome"),
    [
        # 0x31 ^ 0x32 ^ 0x3A, the last being the colon; the two commas cancel.
        (b"1,2,:*39", "not_a_number"),
        # 0x31 ^ 0x32 ^ 0x39 = 0x3A.
        (b"1,2,9*3A", "accepted"),
        (b"1,2,9*3a", "bad_checksum"),
        (b"1,2,9*3B", "bad_checksum"),
        (b"1,2,9*3A ", "bad_checksum"),
        (b"1,2,9*", "bad_checksum"),
        (b"1,2,9", "bad_checksum"),
    ],
)
def test_checksum_guards_the_line(line, outcome):
    decoder = LineDecoder(LineFormat(checksum="xor8"))
    decoder.feed(line + b"\r\n")
    counts = decoder.tally.as_dict()
    assert counts[outcome] == 1
    assert counts["accepted"] + decoder.tally.rejected == 1


def test_milliseconds_become_microseconds_and_keep_the_wrap_of_their_own_counter():
    line_format = LineFormat(columns=("time_ms", "force", "position"), time_bits=16)
    assert line_format.time_modulus_us == 65_536_000
    samples = LineDecoder(line_format).feed(b"65535,1,2\n0.25,1,2\n").samples
    assert samples.time_us.tolist() == [65_535_000, 250]


def test_without_time_seq_and_status_the_columns_are_absent():
    samples = LineDecoder(LineFormat(columns=("force", "position"))).feed(b"1,2\n").samples
    assert (samples.time_us, samples.seq, samples.has_status) == (None, None, False)
    assert samples.status.tolist() == [0]


def test_a_comment_becomes_a_note_in_its_place():
    decoded = LineDecoder(LineFormat()).feed(b"1,2,3\n# zeroed\n2,3,4\n")
    assert [(placed.position, placed.message) for placed in decoded.messages] == [(1, Note("zeroed"))]
    assert len(decoded.samples) == 2


def test_after_a_restart_the_rest_of_a_cut_line_is_not_taken_for_a_line():
    decoder = LineDecoder(LineFormat())
    decoder.feed(b"1000,20,30\n2000,2")
    decoder.restart()
    samples = decoder.feed(b"00,20,30\n4000,20,30\n").samples
    assert samples.time_us.tolist() == [4000]
    assert (decoder.tally.cut, decoder.tally.bytes_discarded, decoder.tally.rejected) == (1, 15, 1)


def test_after_a_restart_a_checksum_is_enough_to_trust_the_first_line():
    decoder = LineDecoder(LineFormat(checksum="xor8"))
    decoder.restart()
    assert len(decoder.feed(b"1,2,3*30\n").samples) == 1
    assert decoder.tally.rejected == 0


def test_a_megabyte_without_a_line_end_counts_one_and_is_not_held():
    decoder = LineDecoder(LineFormat())
    for _ in range(16):
        decoder.feed(b"5" * 65_536)
    assert decoder.pending_bytes == 0
    assert len(decoder.feed(b"\n1,2,3\n").samples) == 1
    assert (decoder.tally.too_long, decoder.tally.rejected) == (1, 1)
    assert decoder.first_rejected == b"5" * 256


def test_lines_need_the_columns_that_the_format_names():
    counts = np.zeros(1, np.int32)
    block = SampleBlock(None, None, counts, counts, np.zeros(1, np.uint8))
    with pytest.raises(InputError, match="time_us"):
        encode_lines(block, LineFormat())


@pytest.mark.parametrize(
    ("keys", "message"),
    [
        ({"separator": "ab"}, r"wire\.separator: found 'ab', expected one character"),
        ({"separator": "-"}, r"wire\.separator: found '-'"),
        ({"columns": ("position",)}, r"wire\.columns: .* expected force once"),
        ({"columns": ("force", "position", "force")}, r"wire\.columns"),
        ({"columns": ("force", "position", "time_us", "time_ms")}, r"wire\.columns"),
        ({"columns": ("force", "position", "pressure")}, r"wire\.columns"),
        ({"time_bits": 64}, r"wire\.time_bits: found 64"),
        ({"time_bits": "none"}, r"wire\.time_bits: found 'none'"),
        ({"time_bits": 50, "columns": ("time_ms", "force", "position")}, r"wire\.time_bits"),
        ({"force_unit": ""}, r"wire\.force_unit"),
        ({"checksum": "crc"}, r"wire\.checksum: found 'crc', expected \"none\" or \"xor8\""),
        ({"comment": "1"}, r"wire\.comment"),
        ({"comment": ","}, r"wire\.comment"),
    ],
)
def test_a_wrong_key_is_refused_by_name(keys, message):
    with pytest.raises(InputError, match=message):
        LineFormat(**keys)


def test_the_defaults_are_the_example_of_the_protocol():
    assert LineFormat() == LineFormat(
        separator=",",
        columns=("time_us", "force", "position"),
        time_bits=32,
        force_unit="counts",
        position_unit="counts",
        checksum="none",
        comment="#",
    )


def test_lines_of_a_scale_hold_no_position():
    decoder = LineDecoder(LineFormat(separator="whitespace", columns=("force", "ignore"), force_unit="g"))
    samples = decoder.feed(b"37.2 g\n-0.1 g\n").samples
    assert samples.force.tolist() == [37.2, -0.1]
    assert samples.position.tolist() == [0, 0]
