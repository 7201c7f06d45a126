"""An open port that fails: the system's own errors become a lost link, or a command that was not taken."""

import os

import pytest

if os.name != "posix":
    pytest.skip("needs pseudo-terminals", allow_module_level=True)

import termios

from rig.reader.link import Link, PortLostError


@pytest.fixture
def line(tmp_path):
    """A pseudo-terminal, its other end, and a link that has it open."""
    master, slave = os.openpty()
    link = Link(os.ttyname(slave), 115_200, [tmp_path])
    yield master, slave, link
    link.close()


def test_a_write_to_a_line_whose_other_end_is_gone_is_an_input_output_error_and_a_lost_link(line):
    master, slave, link = line
    os.close(slave)
    os.close(master)
    with pytest.raises(PortLostError, match="Input/output error"):
        link.write(b"halt")
    with pytest.raises(PortLostError):
        link.read()


def test_a_write_that_the_line_holds_up_is_given_up_and_told(line):
    master, slave, link = line
    termios.tcflow(slave, termios.TCOOFF)
    assert link.write(b"halt") is False
    termios.tcflow(slave, termios.TCOON)
    assert link.write(b"halt") is True
    os.close(slave)
    os.close(master)


def test_a_line_whose_other_end_does_not_read_fills_up_and_then_takes_no_more(line):
    master, slave, link = line
    # a line of the system holds some tens of kilobytes at most
    taken = [link.write(bytes(4096)) for _ in range(24)]
    assert taken[0]
    assert not taken[-1]
    os.close(slave)
    os.close(master)
