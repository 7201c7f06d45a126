"""Whether a capture's air was the standard laboratory air, of a capture with typed conditions."""

import pytest

from rig.capture import CaptureHeader, CaptureWriter, open_capture
from rig.daemon.air import recorded_in_standard_air

# ISO 23529, recalled: 23 C within 2 and 50 % within 10.
CASES = [
    ({"temperature": "23 degC", "humidity": "50 %"}, True),
    ({"temperature": "21 degC", "humidity": "60 %"}, True),
    ({"temperature": "20.9 degC", "humidity": "50 %"}, False),
    ({"temperature": "73 degF", "humidity": "39 %"}, False),
    ({"temperature": "23 degC"}, None),
    ({"humidity": "50 %"}, None),
    ({}, None),
]


@pytest.mark.parametrize(("conditions", "standard"), CASES)
def test_typed_air_is_judged_by_the_published_tolerances(tmp_path, conditions, standard):
    header = CaptureHeader(specimen="F-90-001", conditions=conditions)
    with CaptureWriter.create(tmp_path, header) as writer:
        writer.end("enough")
    assert recorded_in_standard_air(open_capture(writer.path)) is standard


def test_air_that_left_the_tolerances_once_is_not_standard(tmp_path):
    with CaptureWriter.create(tmp_path, CaptureHeader(specimen="F-90-001")) as writer:
        for time_us, celsius in ((1, 23.0), (2, 25.5), (3, 23.0)):
            writer.event("auxiliary", time_us=time_us, ambient_temperature=celsius, humidity=50.0, count=1)
        writer.end("enough")
    assert recorded_in_standard_air(open_capture(writer.path)) is False
