"""The trial as it is advised: which bows to bring, whether it is worth the way, and which tiers are named for it."""

from model.trial.case import MOST_BOWS, Row
from model.trial.choosing import MINUTES_A_RUN, MINUTES_BESIDES, OWN_BOW_RUNS
from model.trial.influence import Influence, influence
from model.trial.named import of_named
from model.trial.offer import CARRY_COST, STRETCH, Entry, Offer, Proposal
from model.trial.proposal import proposal_for, propose
from model.trial.verdict import VerdictCode

__all__ = [
    "CARRY_COST",
    "MINUTES_A_RUN",
    "MINUTES_BESIDES",
    "MOST_BOWS",
    "OWN_BOW_RUNS",
    "STRETCH",
    "Entry",
    "Influence",
    "Offer",
    "Proposal",
    "Row",
    "VerdictCode",
    "influence",
    "of_named",
    "proposal_for",
    "propose",
]
