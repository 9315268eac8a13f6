"""What every room registers, gathered for the wiring and the commands: the kinds of mail."""

from collections.abc import Mapping
from types import MappingProxyType

from service.accounts import account_mails
from service.advice import advice_mails
from service.mail.mail_kinds import MailKind
from service.privacy import privacy_mails
from service.trials import parcel_mails, trial_mails

MAILS: Mapping[str, MailKind] = MappingProxyType(
    {**account_mails.KINDS, **advice_mails.KINDS, **trial_mails.KINDS, **parcel_mails.KINDS, **privacy_mails.KINDS}
)
"""Every kind of mail by its name."""
