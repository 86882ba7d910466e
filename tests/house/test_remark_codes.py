"""Remarks have codes that clients can look up."""

from service.api.remark_codes import REMARK_CODES
from worker.findings import PROPOSALS
from worker.method.instruments import CODES
from worker.remarks import MESSAGES


def test_every_code_of_a_remark_is_in_the_document() -> None:
    """What the worker can remark is listed where assessments are described, each code once."""
    made = MESSAGES.keys() | PROPOSALS.keys() | {code for code in CODES if code is not None}
    assert made <= set(REMARK_CODES)
    assert len(REMARK_CODES) == len(set(REMARK_CODES))
