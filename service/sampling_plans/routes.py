"""The resource /v1/sampling-plans."""

from __future__ import annotations

from service.kit.problems import CONTRADICTORY
from service.kit.stateless import calculating

from .reply import SamplingPlanReply
from .schemas import PLAN_EXAMPLE, SamplingPlanRequest
from .service import plan_json

_DESCRIPTION = """\
Rank further readings by what they bring, and choose a plan within a budget; nothing is stored.

The request is that of a balance with targets, or with a bias to be found, and a budget.
Additions, repeats and improvements of readings are compared by gain and by gain per cost, and
the reply says how far the plan can be from the best there is.
"""

router = calculating(
    plan_json,
    path="/v1/sampling-plans",
    tag="sampling plans",
    operation="plan_sampling",
    summary="Find the next best readings",
    description=_DESCRIPTION,
    request=SamplingPlanRequest,
    example=PLAN_EXAMPLE,
    reply=SamplingPlanReply,
    gives="The plan.",
    also=(CONTRADICTORY,),
)
