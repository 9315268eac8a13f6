"""What people keep of the bows they tried."""

from model.choice.conditional_logit import ChoicePrior
from model.choice.purchase_model import TERMS, Keeping, Offer, WhyLeftOut, believed, keeping, price_points

__all__ = ["TERMS", "ChoicePrior", "Keeping", "Offer", "WhyLeftOut", "believed", "keeping", "price_points"]
