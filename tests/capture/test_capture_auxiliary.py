"""Temperatures and humidity of a capture: from its events, else from what was typed."""

import numpy as np
import pytest
from capture_makers import made_header, made_samples

from rig.capture import CaptureWriter, auxiliary, auxiliary_readings, open_capture, typed_conditions


def captured(tmp_path, readings, **header):
    """A capture with one event for each (time_us, fields)."""
    with CaptureWriter.create(tmp_path, made_header(**header)) as writer:
        writer.append(made_samples(10))
        for time_us, fields in readings:
            writer.event("auxiliary", host_time_s=1.0, time_us=time_us, **fields, count=500)
            writer.event("note", text='says "auxiliary" too', time_us=1, specimen_temperature=99.0)
        writer.end("enough")
    return open_capture(writer.path)


def test_recorded_readings_come_back_as_one_series_for_each_channel(tmp_path):
    capture = captured(
        tmp_path,
        [
            (500_000, {"specimen_temperature": 21.25, "humidity": 44.0}),
            (1_500_000, {"specimen_temperature": 21.5, "humidity": 45.0}),
            (2_500_000, {"specimen_temperature": 22.0}),
        ],
    )
    readings = auxiliary_readings(capture)
    assert {name: [column.tolist() for column in pair] for name, pair in readings.items()} == {
        "specimen_temperature": [[0.5, 1.5, 2.5], [21.25, 21.5, 22.0]],
        "humidity": [[0.5, 1.5], [44.0, 45.0]],
    }


def test_damage_costs_the_readings_it_reaches(tmp_path):
    capture = captured(tmp_path, [(10**6 * n, {"humidity": 40.0 + n}) for n in range(5)])
    path = capture.path / "events.jsonl"
    lines = path.read_bytes().splitlines(keepends=True)
    place = next(n for n, line in enumerate(lines) if b"42.0" in line)
    lines[place] = lines[place][:20] + b"\n"
    lines += [
        b'{"kind": "auxiliary", "time_us": null, "humidity": 1.0}\n',
        b'{"kind": "auxiliary", "time_us": 5, "humidity": "nan", "specimen_temperature": true}\n',
        b'{"kind": "auxiliary", "time_us": 5, "humidity": 1' + b"0" * 400 + b"}\n",
        b'["auxiliary"]\n',
    ]
    path.write_bytes(b"".join(lines))
    assert {
        name: pair[1].tolist() for name, pair in auxiliary_readings(open_capture(capture.path)).items()
    } == {"humidity": [40.0, 41.0, 43.0, 44.0]}


def test_what_was_typed_stands_in_for_a_channel_that_was_not_recorded(tmp_path):
    typed = {"temperature": "77 degF", "humidity": "45 %", "Specimen temperature": "296.15 K", "mood": "calm"}
    capture = captured(tmp_path, [(10**6, {"humidity": 50.0})], conditions=typed)
    readings = auxiliary_readings(capture)
    assert {name: pair[1].tolist() for name, pair in readings.items()} == {
        "humidity": [50.0],
        "ambient_temperature": [25.0],
        "specimen_temperature": [23.0],
    }


@pytest.mark.parametrize("text", ["21", "warm", "21 m", "", 21.0, None, "1e999 degC"])
def test_a_condition_without_a_unit_of_temperature_remains_a_note(text):
    assert typed_conditions(made_header(conditions={"temperature": text})) == {}


def test_a_capture_without_events_has_no_readings(tmp_path):
    capture = captured(tmp_path, [])
    (capture.path / "events.jsonl").unlink()
    assert auxiliary_readings(open_capture(capture.path)) == {}


def test_more_readings_than_are_held_become_means_of_neighbours(tmp_path, monkeypatch):
    monkeypatch.setattr(auxiliary, "MOST_READINGS", 8)
    capture = captured(tmp_path, [(10**6 * n, {"humidity": float(n)}) for n in range(13)])
    time_s, values = auxiliary_readings(capture)["humidity"]
    # After 8 readings come four pairs, after 4 more again: two of four, two of two, and the last.
    np.testing.assert_array_equal(values, [1.5, 5.5, 8.5, 10.5, 12.0])
    np.testing.assert_array_equal(time_s, values)


def test_no_file_makes_up_any_number_of_channels(tmp_path):
    capture = captured(tmp_path, [(1, {f"probe_{n}": 1.0 for n in range(100)})])
    assert len(auxiliary_readings(capture)) == 16
