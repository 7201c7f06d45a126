"""Who the device says it is."""

from __future__ import annotations

from rig.conformance.exceptions import NotApplicableError, UnreadyError, require
from rig.conformance.stand import REPEATED_IDENTITY_S, Kind, Stand
from rig.conformance.verdicts import CheckGroup
from rig.wire import PROTOCOL_VERSION, Capability, Identify, Identity

CHECKS = CheckGroup("identity")
_DRIVER_NEEDS = {
    Capability.LIMITS_FORCE: "1 (enforces force limits)",
    Capability.EMERGENCY_STOP: "2 (emergency-stop input)",
    Capability.HALTS_ON_SILENCE: "3 (halts when heartbeats stop)",
}
FASTEST_MHZ = 100_000_000


@CHECKS.add(
    "identity-answer",
    "The answer to identify",
    "Identify is answered with an identity message, then with the reply.",
    "an identity message, then a reply with result 0",
    "Programs wait 2.5 s and give up, or record without knowing which device it was.",
)
def _answers(stand: Stand) -> str:
    stand.answers_with(Identify(stand.talk.next_id()), Identity, "identify")
    return "an identity message, then the reply"


@CHECKS.add(
    "identity-protocol",
    "The version of the protocol",
    "The first byte of the identity is the version of the protocol.",
    f"version {PROTOCOL_VERSION}",
    "The host refuses to talk to it, or misreads it.",
)
def _protocol(stand: Stand) -> str:
    found = stand.known.protocol
    require(found == PROTOCOL_VERSION, f"version {found}")
    return f"version {found}"


@CHECKS.add(
    "identity-capabilities",
    "Stated capabilities",
    "A device that drives the platen also enforces force limits, has an emergency-stop input and "
    "halts by itself "
    "when heartbeats stop.",
    "bits 1, 2 and 3 with bit 0",
    "It is never armed: no method, no calibration by the drive, no endurance run.",
)
def _capabilities(stand: Stand) -> str:
    has = stand.known.capabilities
    if Capability.DRIVES not in has:
        return "no drive"
    lacking = [words for bit, words in _DRIVER_NEEDS.items() if bit not in has]
    require(not lacking, f"bit 0 (drives the platen) without bit {', '.join(lacking)}")
    return f"capabilities {int(has):#06x}"


@CHECKS.add(
    "identity-words",
    "Its name and highest rate",
    "The identity holds the highest rate in thousandths of a hertz and a name in UTF-8.",
    "a readable name and a rate above 0",
    "Captures cannot say which rig they came from, or the stream is requested at an impossible rate.",
)
def _words(stand: Stand) -> str:
    known = stand.known
    require(bool(known.name.strip()), "an empty name")
    require(
        "\ufffd" not in known.name and known.name.isprintable(), f"a name that is not text: {known.name!r}"
    )
    require(0 < known.rate_mhz <= FASTEST_MHZ, f"a highest rate of {known.rate_mhz} mHz")
    return f"{known.name!r}, up to {known.rate_mhz / 1000:g} samples a second"


@CHECKS.add(
    "identity-repeated",
    "The identity of a device that only sends",
    "A device that cannot receive repeats its identity every 5 s.",
    "an identity within 6 s",
    "A recording that begins later never learns which rig it is, and a reset is not noticed.",
)
def _repeats(stand: Stand) -> str:
    if stand.kind is not Kind.TALKS:
        raise NotApplicableError("it receives commands, so it is asked")
    stand.talk.forget()
    came = stand.talk.until(lambda: stand.talk.newest(Identity) is not None, REPEATED_IDENTITY_S)
    require(came, f"no identity within {REPEATED_IDENTITY_S:g} s")
    if stand.identity is None:
        raise UnreadyError("the device has not identified itself")
    return "an identity by itself"
