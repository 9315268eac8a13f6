"""The trial as it is advised: which bows to bring, whether it is worth the way, and which tiers are named for it."""

from model.trial import paired_comparison
from model.trial.case import CaseValue
from model.trial.choosing import MINUTES_A_RUN, MINUTES_BESIDES, OWN_BOW_RUNS
from model.trial.composing import Ranked, RankReason, ranked
from model.trial.influence import AdvicePart, Answer, Change, Influence, influence
from model.trial.joint import joint_posterior
from model.trial.knowledge_gradient import one_above
from model.trial.named import of_named
from model.trial.offer import CARRY_COST, STRETCH, Entry, Offer, Proposal
from model.trial.order import needs_repeat, order
from model.trial.paired_comparison import DEFAULT_RULE, PairsVerdict
from model.trial.proposal import proposal_for, propose
from model.trial.reasons import Reason
from model.trial.stopping import (
    Action,
    BowStatus,
    Compared,
    Rationale,
    RationaleCode,
    Recommendation,
    TrialStatus,
    drift,
    repeat_difference,
    trial_status,
)
from model.trial.verdict import VerdictCode

__all__ = [
    "CARRY_COST",
    "DEFAULT_RULE",
    "MINUTES_A_RUN",
    "MINUTES_BESIDES",
    "OWN_BOW_RUNS",
    "STRETCH",
    "Action",
    "AdvicePart",
    "Answer",
    "BowStatus",
    "CaseValue",
    "Change",
    "Compared",
    "Entry",
    "Influence",
    "Offer",
    "PairsVerdict",
    "Proposal",
    "RankReason",
    "Ranked",
    "Rationale",
    "RationaleCode",
    "Reason",
    "Recommendation",
    "TrialStatus",
    "VerdictCode",
    "drift",
    "influence",
    "joint_posterior",
    "needs_repeat",
    "of_named",
    "one_above",
    "order",
    "paired_comparison",
    "proposal_for",
    "propose",
    "ranked",
    "repeat_difference",
    "trial_status",
]
