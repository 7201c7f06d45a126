"""Whether a rig can do what it is asked to: an order becomes a job, or is refused in words.

Problem: what a rig cannot do must be refused before anything moves. Plan: each kind of order is checked
where its job is written; here is the list of them. Cost: that of the check.
"""

from __future__ import annotations

from rig.jobs.endurance import endurance_job
from rig.jobs.guiding import HandJob
from rig.jobs.height_job import height_job
from rig.jobs.job import Job, Standing, facts_of
from rig.jobs.orders import EnduranceOrder, HeightOrder, MethodOrder, Order, RecordingOrder, ReleaseOrder
from rig.jobs.recording import RecordingJob
from rig.jobs.releasing import ReleaseJob
from rig.jobs.running import MethodJob
from rig.methods import check_by_hand, check_method, parse_method


def check_job(order: Order, standing: Standing) -> Job:
    """Check an order against a rig.

    Raises InputError if the order is wrong, or does not fit the rig or the specimen; DeviceError if the rig
    has no drive where one is needed, or a stop is latched.
    """
    match order:
        case ReleaseOrder():
            return ReleaseJob(order, standing.drive())
        case RecordingOrder():
            return RecordingJob(order)
        case HeightOrder():
            return height_job(order, standing)
        case EnduranceOrder():
            return endurance_job(order, standing.limits())
        case MethodOrder():
            method, facts = parse_method(order.text, order.source), facts_of(order.card)
            if standing.by_hand:
                return HandJob(order, check_by_hand(method, facts, standing.warns_above_n()))
            return MethodJob(order, check_method(method, standing.limits(), facts))
