"""The control socket answers who asks in its language, survives everybody else, and always hears a halt."""

import contextlib
import json
import os
import socket
import stat
import subprocess
import sys
import tempfile
import threading
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest

if os.name != "posix":
    pytest.skip("the control socket needs a Unix system", allow_module_level=True)

from attended import PRESSES, attended, method, wait_until
from delivering import CALIBRATION, delivery
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rig.daemon import control
from rig.daemon.board import Board
from rig.daemon.bulletin import CycleRow, Done, Preview, Refusal, Seen
from rig.daemon.control import (
    CONNECTIONS,
    LONGEST_LINE,
    ControlClient,
    ControlServer,
    NoDaemonError,
    daemon_of,
)
from rig.daemon.shelf import Shelf
from rig.daemon.socket_place import SocketPlace, sockets_there
from rig.errors import DeviceError, InputError
from rig.jobs.orders import RecordingOrder, RigRef

ROOT = Path(__file__).parents[2]
BENCH = RigRef(name="bench", port="ttyUSB0")
RECORDING = RecordingOrder(card={"specimen": "F-90-007"}, cycles=3)


class Notebook:
    """Takes orders by writing them down."""

    def __init__(self):
        self.taken = []

    def start(self, order):
        self.taken.append(order)
        return Done(job=7)

    def preview(self, order):
        return Preview(lines=("nothing moves",))

    def halt(self, who):
        self.taken.append(f"halt {who}")
        return Done()

    def proceed(self):
        return Refusal(refused="nobody is waited for")

    def acknowledge(self, who):
        self.taken.append(f"acknowledged {who}")
        return Done()


@pytest.fixture
def tmp_path():
    """A short folder: the path of a socket holds about a hundred characters."""
    with tempfile.TemporaryDirectory(prefix="rig-") as folder:
        yield Path(folder).resolve()


@contextmanager
def served(folder, *, shelf=(), rig=BENCH):
    """A server with a board, one who takes orders, and where it listens."""
    board, orders = Board(rig.name, rig.port, CALIBRATION), Notebook()
    with (
        SocketPlace(rig, [folder]) as place,
        ControlServer(place.path, rig, board=board, orders=orders, shelf=Shelf(shelf)),
    ):
        yield board, orders, place.path


def raw(path):
    connection = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    connection.settimeout(20)
    connection.connect(str(path))
    return connection


def said(path, line):
    """The answer to a line of bytes."""
    with raw(path) as connection:
        connection.sendall(line + b"\n")
        return json.loads(connection.makefile("rb").readline())


def test_the_status_is_that_of_the_board(tmp_path):
    with served(tmp_path) as (board, _, path), ControlClient(path) as client:
        board.take(delivery(0, 101))
        assert client.status() == board.status()


def test_news_are_handed_on_with_what_was_seen(tmp_path):
    with served(tmp_path) as (board, _, path), ControlClient(path) as client:
        board.begin_job(1, "method", "a method", "F-90-007")
        board.cycles(1, [CycleRow(cycle=1, peak_force_n=3.0)])
        first = client.news(Seen())
        assert [row.peak_force_n for row in first.cycles] == [3.0]
        assert client.news(first.seen).cycles == ()


def test_orders_reach_the_one_who_takes_them_and_the_answer_comes_back(tmp_path):
    with served(tmp_path) as (_, orders, path), ControlClient(path) as client:
        assert client.start(RECORDING) == Done(job=7)
        assert client.halt("a test") == Done()
        assert client.proceed() == Refusal(refused="nobody is waited for")
        assert client.acknowledge("the morning shift") == Done()
    assert orders.taken == [RECORDING, "halt a test", "acknowledged the morning shift"]


def test_ready_methods_are_offered_with_their_text(tmp_path):
    methods = ROOT / "configs" / "methods"
    with served(tmp_path, shelf=[methods]) as (_, _, path), ControlClient(path) as client:
        offered = {each.source: each for each in client.methods().methods}
    assert set(offered) == {each.name for each in methods.glob("*.yaml")}
    squeeze = offered["plain_squeeze.yaml"]
    assert squeeze.text == (methods / "plain_squeeze.yaml").read_text(encoding="utf-8")
    assert (squeeze.kind, squeeze.name) == ("method", "plain squeeze")


def test_a_folder_of_anything_offers_only_what_is_a_method_or_a_plan(tmp_path):
    folder = tmp_path / "shelf"
    folder.mkdir()
    (folder / "a.yaml").write_text(PRESSES)
    (folder / "b.yaml").write_text("squeeze: {deflection: 8 mm}\nname: a plan\n")
    (folder / "c.yaml").write_text("port: {path: ttyUSB0}\n")
    (folder / "d.yaml").write_bytes(b"\xff\xfe\x00: [")
    (folder / "e.yaml").write_text("steps: [1]\n#" + "x" * 70_000)
    (folder / "f.yaml").mkdir()
    shelf = Shelf([folder, tmp_path / "absent"])
    assert [(each.source, each.kind) for each in shelf.methods().methods] == [
        ("a.yaml", "method"),
        ("b.yaml", "endurance"),
    ]
    (folder / "a.yaml").unlink()
    assert [each.source for each in shelf.methods().methods] == ["b.yaml"]


def test_ready_methods_in_any_script_fit_into_one_line(tmp_path):
    for number in range(20):
        # three bytes a character, and a line break that takes two
        text = "steps: [1]\n" + "# \u6ce1\u6cab\n" * 3000
        (tmp_path / f"{number:02}.yaml").write_text(text, encoding="utf-8")
    offered = Shelf([tmp_path]).methods()
    assert len(offered.methods) > 1
    assert len(offered.model_dump_json().encode()) < LONGEST_LINE


def test_an_answer_that_does_not_end_is_not_gathered_for_ever(tmp_path):
    path = tmp_path / "s"
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind(str(path))
        listening.listen()
        with ControlClient(path) as client:
            there, _ = listening.accept()

            def send():
                with there, contextlib.suppress(OSError):
                    while True:
                        there.sendall(b"x" * 65_536)

            sending = threading.Thread(target=send)
            sending.start()
            with pytest.raises(DeviceError, match="does not end"):
                client.status()
        sending.join()


def test_only_the_user_can_reach_the_socket(tmp_path):
    with served(tmp_path / "run") as (_, _, path):
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
        assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700


WRONG = [
    b"",
    b"status",
    b"{}",
    b'{"ask":"open the door"}',
    b'{"ask":"status","and":1}',
    b'{"ask":"start"}',
    b'{"ask":"start","order":{"kind":"recording","card":{"specimen":"F"},"seconds":NaN}}',
    b'{"ask":"start","order":{"kind":"recording","card":{"specimen":"F"},"seconds":-1}}',
    b'{"ask":"news","seen":{"trace":-1}}',
    b"[" * 50_000,
    b"\xff\xfe\x00",
]


@pytest.mark.parametrize("line", WRONG, ids=range(len(WRONG)))
def test_a_wrong_line_is_refused_in_words_and_the_connection_goes_on(tmp_path, line):
    with served(tmp_path) as (_, orders, path), raw(path) as connection:
        answers = connection.makefile("rb")
        connection.sendall(line + b"\n")
        assert json.loads(answers.readline())["refused"]
        connection.sendall(b'{"ask":"halt","who":"me"}\n')
        assert json.loads(answers.readline())["done"]
        assert orders.taken == ["halt me"]


@pytest.fixture(scope="module")
def listening(tmp_path_factory):
    with served(tmp_path_factory.mktemp("s")) as (_, _, path):
        yield path


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(line=st.binary(max_size=300).filter(lambda each: b"\n" not in each))
def test_no_rubbish_takes_the_server_down(listening, line):
    assert said(listening, line)["refused"]
    assert said(listening, b'{"ask":"status"}')["rig"] == "bench"


def test_a_line_without_end_closes_its_connection_and_no_other(tmp_path):
    with served(tmp_path) as (_, _, path), ControlClient(path) as client, raw(path) as endless:
        with pytest.raises(OSError, match=r"reset|pipe"):
            for _ in range(100):
                endless.sendall(b"x" * 65_536)
        assert client.status().rig == "bench"


def test_a_line_of_the_longest_length_is_read(tmp_path):
    padded = b'{"ask":"status"' + b" " * (LONGEST_LINE - 16) + b"}"
    assert len(padded) == LONGEST_LINE
    with served(tmp_path) as (_, _, path):
        assert said(path, padded)["rig"] == "bench"


def test_a_halt_gets_in_although_all_connections_are_taken_by_those_who_say_nothing(tmp_path):
    with served(tmp_path) as (_, orders, path):
        silent = [raw(path) for _ in range(3 * CONNECTIONS)]
        with ControlClient(path) as client:
            client.halt("a test")
        assert orders.taken == ["halt a test"]
        # it did not wait until those who came just before were given up
        silent[-1].setblocking(False)
        with pytest.raises(BlockingIOError):
            silent[-1].recv(1)
        # those who were left end by themselves, a moment later
        try:
            wait_until(lambda: sum(each.name == "rig-asked" for each in threading.enumerate()) <= CONNECTIONS)
        finally:
            for each in silent:
                each.close()


def test_one_who_does_not_read_the_answers_is_left_and_delays_nobody(tmp_path, monkeypatch):
    monkeypatch.setattr(control, "SEND_S", 0.3)
    with served(tmp_path) as (board, _, path):
        board.begin_job(1, "method", "a method", "F-90-007")
        board.cycles(1, [CycleRow(cycle=k) for k in range(1, 200)])
        with raw(path) as deaf, ControlClient(path) as client:
            deaf.settimeout(0.5)
            with pytest.raises(OSError, match=r"timed out|reset|pipe"):
                for _ in range(200):
                    deaf.sendall(b'{"ask":"news"}\n' * 20)
            assert client.status().rig == "bench"


def test_a_mistake_in_the_program_is_answered_and_the_next_request_is_heard(tmp_path, monkeypatch):
    with served(tmp_path) as (_, orders, path), ControlClient(path) as client:

        def broken(order):
            raise RuntimeError("a mistake")

        monkeypatch.setattr(orders, "start", broken)
        assert "a mistake" in client.start(RECORDING).refused
        assert client.halt("a test") == Done()


def test_afterwards_no_thread_and_no_socket_is_left(tmp_path):
    before = set(threading.enumerate())
    with served(tmp_path) as (_, _, path):
        client = ControlClient(path)
        assert client.status().rig == "bench"
        assert {each.name for each in set(threading.enumerate()) - before} == {"rig-control", "rig-asked"}
    assert set(threading.enumerate()) <= before
    assert sockets_there([tmp_path]) == []
    with pytest.raises(DeviceError, match=r"does not answer|has ended"):
        client.status()
    client.close()


def test_without_a_daemon_it_is_said_that_none_is_up(tmp_path):
    with pytest.raises(NoDaemonError, match="no daemon is running"):
        daemon_of(BENCH, [tmp_path])


def test_a_daemon_is_found_by_the_name_of_its_rig(tmp_path):
    other = tmp_path / "other"
    with served(tmp_path), daemon_of(RigRef(name="bench"), [other, tmp_path]) as client:
        assert client.status().rig == "bench"


def test_a_second_daemon_on_the_same_rig_is_refused_and_the_first_goes_on(tmp_path):
    with served(tmp_path) as (_, _, path):
        with (
            pytest.raises(DeviceError, match=rf"a daemon already holds it \(process {os.getpid()}\)"),
            SocketPlace(BENCH, [tmp_path]),
        ):
            pass
        with ControlClient(path) as client:
            assert client.status().rig == "bench"


def test_the_socket_of_a_daemon_that_was_killed_is_replaced(tmp_path):
    killed = (
        "import os, socket, sys; from pathlib import Path; from rig.daemon.socket_place import SocketPlace\n"
        "from rig.jobs.orders import RigRef; rig = RigRef(name='bench', port='ttyUSB0')\n"
        "place = SocketPlace(rig, [Path(sys.argv[1])]).__enter__()\n"
        "listening = socket.socket(socket.AF_UNIX); listening.bind(str(place.path)); os.kill(os.getpid(), 9)"
    )
    subprocess.run([sys.executable, "-c", killed, tmp_path], check=False, timeout=20)
    (left,) = sockets_there([tmp_path])
    with pytest.raises(NoDaemonError):
        ControlClient(left)
    with served(tmp_path) as (_, _, path):
        assert path == left
        assert said(path, b'{"ask":"status"}')["rig"] == "bench"


def test_a_place_too_deep_for_a_socket_is_refused_in_words(tmp_path):
    deep = tmp_path / ("x" * 100)
    with pytest.raises(DeviceError, match="too long for a socket"), SocketPlace(BENCH, [deep]):
        pass


def test_a_method_ordered_through_the_socket_is_halted_through_it(tmp_path):
    with (
        attended(tmp_path, speed_up=1.0) as at,
        SocketPlace(BENCH, [tmp_path]) as place,
        ControlServer(
            place.path,
            RigRef(name="test bench", port=at.port),
            board=at.board,
            orders=at.desk,
            shelf=Shelf([]),
        ),
        ControlClient(place.path) as client,
    ):
        number = client.start(method()).job
        at.moves()
        assert client.halt("a test").job == number
        wait_until(lambda: client.status().last is not None)
        assert client.status().last.reason == "stopped"
        # it was stopped by the halt, since the end of heartbeats would have latched a stop
        assert at.rig.device.state().stop_cause == 0


def test_what_an_order_would_do_is_said_without_a_motion(tmp_path):
    with (
        attended(tmp_path) as at,
        SocketPlace(BENCH, [tmp_path]) as place,
        ControlServer(
            place.path,
            RigRef(name="test bench", port=at.port),
            board=at.board,
            orders=at.desk,
            shelf=Shelf([]),
        ),
    ):
        asked = {"ask": "preview", "rig": {"name": "test bench"}, "order": method().model_dump(mode="json")}
        lines = said(place.path, json.dumps(asked).encode())["lines"]
        assert any("Press at" in line for line in lines)
        assert lines[-1].startswith("The rig stops outside")
        asked["order"]["text"] = asked["order"]["text"].replace("mm/s", "m/s")
        assert "refused" in said(place.path, json.dumps(asked).encode())
        assert at.board.status().job is None and not at.board.status().armed


# Which rig an order is for.

ALIKE = [
    RigRef(name="Bench 1", port="ttyUSB0"),
    RigRef(name="bench_1", port="ttyUSB0"),
    RigRef(name="\u0421\u0442\u0435\u043d\u0434 1", port="ttyUSB0"),
    RigRef(name="\u0421\u0442\u0435\u043d\u0434 2", port="ttyUSB0"),
    RigRef(name="\u6a5f\u68b0", port="ttyUSB0"),
    RigRef(name="x" * 150 + "1", port="ttyUSB0"),
    RigRef(name="x" * 150 + "2", port="ttyUSB0"),
    RigRef(name="bench", port="ttyUSB0"),
    RigRef(name="bench", port="ttyUSB1"),
]


def test_rigs_that_are_alike_in_name_or_port_have_daemons_of_their_own(tmp_path):
    tmp_path.chmod(0o700)
    with ExitStack() as opened:
        takers = [opened.enter_context(served(tmp_path, rig=rig)) for rig in ALIKE]
        assert len({path for _, _, path in takers}) == len(ALIKE)
        for rig, (_, orders, _) in zip(ALIKE, takers, strict=True):
            with daemon_of(rig, [tmp_path]) as client:
                assert client.start(RECORDING) == Done(job=7)
            assert orders.taken == [RECORDING]


@pytest.mark.parametrize("other", ALIKE[:-2], ids=range(len(ALIKE) - 2))
def test_an_order_for_another_rig_is_refused_in_words_and_not_carried_out(tmp_path, other):
    with served(tmp_path) as (_, orders, path), ControlClient(path, other) as client:
        answers = [client.start(RECORDING), client.halt("a test"), client.proceed(), client.acknowledge("a")]
    for answer in answers:
        assert f"this daemon holds {BENCH}; the order was for {other}" in answer.refused
    assert orders.taken == []


def test_a_name_that_two_rigs_share_is_not_enough_to_order(tmp_path):
    other = RigRef(name="bench", port="ttyUSB1")
    with (
        served(tmp_path),
        served(tmp_path, rig=other),
        pytest.raises(InputError, match="2 rigs named 'bench' are held"),
    ):
        daemon_of(RigRef(name="bench"), [tmp_path])


def test_two_paths_of_one_device_are_one_port(tmp_path):
    device, link = tmp_path / "device", tmp_path / "by-id"
    device.touch()
    link.symlink_to(device)
    with (
        served(tmp_path, rig=RigRef(name="bench", port=str(device))),
        daemon_of(RigRef(name="bench", port=str(link)), [tmp_path]) as client,
    ):
        assert client.start(RECORDING) == Done(job=7)


def test_an_order_that_names_no_rig_is_refused_but_a_halt_is_not(tmp_path):
    with served(tmp_path) as (_, orders, path):
        assert said(path, b'{"ask":"start","order":' + RECORDING.model_dump_json().encode() + b"}")["refused"]
        assert "rig" in said(path, b'{"ask":"proceed"}')["refused"]
        assert said(path, b'{"ask":"halt"}')["done"]
    assert orders.taken == ["halt somebody"]


# Folders and sockets of others.


def test_a_folder_that_others_can_enter_or_change_is_not_looked_into(tmp_path):
    folder = tmp_path / "run"
    folder.mkdir(mode=0o700)
    with served(folder) as (_, _, path):
        assert sockets_there([folder]) == [path]
        folder.chmod(0o755)
        assert sockets_there([folder]) == []
        folder.chmod(0o700)
        tmp_path.chmod(0o777)  # whoever may write here can put another folder in its place
        assert sockets_there([folder]) == []
        tmp_path.chmod(0o700)


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give a folder away")
def test_a_folder_or_a_socket_of_another_user_is_neither_used_nor_asked(tmp_path):
    squatted = tmp_path / "squatted"
    squatted.mkdir(mode=0o700)
    os.chown(squatted, 12345, 12345)
    listening = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    listening.bind(str(squatted / "0.sock"))
    assert sockets_there([squatted]) == []
    with pytest.raises(DeviceError, match="belongs to another user"), SocketPlace(BENCH, [squatted]):
        pass
    listening.close()


SQUATTER = """
import os, socket, sys
listening = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
listening.bind(sys.argv[1])
os.setuid(12345)
listening.listen()
print("listens", flush=True)
sys.stdin.read()
"""
STRANGER = """
import os, socket, sys
os.setgroups([]); os.setuid(12345)
asking = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
asking.connect(sys.argv[1])
asking.sendall(b'{"ask":"status"}\\n')
print(repr(asking.recv(1000)))
"""


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become another user")
def test_a_process_of_another_user_behind_a_socket_is_not_asked(tmp_path):
    path = tmp_path / "0.sock"
    with subprocess.Popen(
        [sys.executable, "-S", "-c", SQUATTER, path], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as squatter:
        assert squatter.stdout.readline() == b"listens\n"
        with pytest.raises(NoDaemonError, match="another user"):
            ControlClient(path)
        squatter.stdin.close()


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become another user")
def test_a_process_of_another_user_is_not_answered(tmp_path):
    with tempfile.TemporaryDirectory() as folder, served(Path(folder)) as (_, _, path):
        # as if the folder's and the socket's modes were lost on a file system without modes
        Path(folder).chmod(0o755)
        path.chmod(0o777)
        told = subprocess.run(
            [sys.executable, "-S", "-c", STRANGER, path], capture_output=True, check=False, timeout=20
        )
    assert told.stdout in (b"b''\n", b"")  # closed, or reset
