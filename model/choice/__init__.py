"""What people keep of the bows they tried."""

from model.choice.conditional_logit import ChoicePrior
from model.choice.purchase_model import (
    TERMS,
    ExclusionReason,
    Offer,
    PurchaseModel,
    fit_purchase_model,
    price_penalty,
    prior_only,
)

__all__ = [
    "TERMS",
    "ChoicePrior",
    "ExclusionReason",
    "Offer",
    "PurchaseModel",
    "fit_purchase_model",
    "price_penalty",
    "prior_only",
]
