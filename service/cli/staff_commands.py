"""The commands for who may: dealers and users."""

import argparse
import secrets

from service.accounts import dealer_list, passwords, securing, users
from service.accounts.dealer_list import DealerInfo
from service.cli.command_line import Commands, add, group
from service.cli.common import opened
from service.core import audit, audit_events
from service.core.database import Database
from service.core.language import NAMES
from service.core.scopes import AllDealers
from service.core.tokens import ALPHABET
from service.operations import one_dealer
from service.settings import Settings
from service.web.roles import ROLES

USUAL_ADDRESS = "http://127.0.0.1:8000"
"""Where `serve` answers unless it is told otherwise."""


def add_to(commands: Commands) -> None:
    """Add the commands of this module."""
    example = "python -m service dealers add harbour --name 'Harbour Strings' --currency EUR --language en --country IE"
    ours = group(commands, "dealers", example, "VERB")
    making = add(ours, "add", add_dealer, example, "make a dealer, or complete one that is known")
    making.add_argument("slug", metavar="SLUG", help="small letters, digits and hyphens; its name in files and links")
    making.add_argument("--name", required=True, metavar="N", help="as players read it")
    making.add_argument("--currency", required=True, metavar="C", help="ISO 4217 code, such as EUR")
    making.add_argument("--language", required=True, choices=list(NAMES), metavar="L", help=", ".join(NAMES))
    making.add_argument("--country", required=True, metavar="CC", help="two letters (ISO 3166-1), such as AT")
    making.add_argument(
        "--carry-cost", type=float, metavar="POINTS", help="what carrying one more bow costs, in points of liking"
    )
    add(ours, "list", list_dealers, "python -m service dealers list", "list the dealers")
    example = "python -m service dealers erase harbour --really"
    ending = add(ours, "erase", erase_dealer, example, "erase a dealer with all that is theirs; make a backup before")
    ending.add_argument("slug", metavar="SLUG", help="the dealer")
    ending.add_argument("--really", action="store_true", help="do it; else only say what would go")
    example = "python -m service users add ada@example.org --role adviser --dealer harbour"
    staff = group(commands, "users", example, "VERB")
    making = add(staff, "add", add_user, example, "make an account, or give a known one a new link to set its password")
    making.add_argument("email", metavar="EMAIL", help="the address to sign in with")
    making.add_argument("--role", required=True, choices=list(ROLES), help="what the account may do")
    making.add_argument("--dealer", metavar="D", help="slug of the dealer that the account is bound to")
    making.add_argument("--name", metavar="N", help="as the others know this person")
    making.add_argument("--language", choices=list(NAMES), metavar="L", help="whose the desk's pages are then")
    add(staff, "list", list_users, "python -m service users list", "list the accounts")
    ending = add(
        staff, "disable", disable_user, "python -m service users disable ada@example.org", "disable an account at once"
    )
    ending.add_argument("email", metavar="EMAIL", help="the address of the account")
    example = "python -m service users reset-factor ada@example.org"
    text = "take the second factor away from somebody who has lost app and recovery codes"
    resetting = add(staff, "reset-factor", reset_factor, example, text)
    resetting.add_argument("email", metavar="EMAIL", help="the address of the account; be sure who asks")


def add_dealer(asked: argparse.Namespace, settings: Settings) -> int:
    """Make or complete a dealer."""
    given = DealerInfo(asked.slug, asked.name, asked.currency, asked.language, asked.country, asked.carry_cost)
    with opened(settings) as database, database.writing() as session:
        new = dealer_list.add(session, given)
    print(f"dealer {asked.slug}: {'made' if new else 'completed'}")
    return 0


def erase_dealer(asked: argparse.Namespace, settings: Settings) -> int:
    """Erase a dealer whole, or say what that would be."""
    with opened(settings) as database:
        if not asked.really:
            with database.reading() as session:
                for name, count in one_dealer.counts(session, asked.slug).items():
                    print(f"{name}: {count}")
            print("Nothing was erased. With --really these rows go, and the people that no other dealer knows.")
            return 0
        with database.writing() as session:
            session.info["empty_log"] = True
            went = one_dealer.erase(session, asked.slug)
            audit.record(
                session, None, audit_events.DEALER_ERASED, f"dealer {asked.slug}", dealer=None, rows=sum(went.values())
            )
    print(
        f"Erased {asked.slug}: {sum(went.values())} rows. Backups and the files of mail keep what they held; end those too."
    )
    print("The model in use was made of their trials as well and names nobody; the next fit is made without them.")
    return 0


def list_dealers(_asked: argparse.Namespace, settings: Settings) -> int:
    """Print one line a dealer."""
    with opened(settings) as database, database.reading() as session:
        known = dealer_list.listed(session, AllDealers())
    for each in known:
        facts = [each.name, *filter(None, (each.currency, each.language, each.country))]
        cost = [] if each.carry_cost is None else [f"carry cost {each.carry_cost:g}"]
        print(f"{each.slug}: {', '.join(facts + cost)}")
    if not known:
        print("There is no dealer yet.")
    return 0


def add_user(asked: argparse.Namespace, settings: Settings) -> int:
    """Make an account, or renew a known one's link; print the link, which is kept nowhere else."""
    with opened(settings) as database, database.writing() as session:
        invited = users.add(
            session, asked.email, asked.role, asked.dealer, name=asked.name, language_code=asked.language
        )
    account = invited.account
    print(f"{account.email}: {account.role}{f' of {account.dealer}' if account.dealer else ''}, {_made(invited)}")
    hours = int(users.LINK_LIFE.total_seconds() // 3600)
    print(f"The link to set the password, once, within {hours} hours:")
    print(f"{settings.public_address or USUAL_ADDRESS}/desk/password/{invited.secret}")
    if settings.public_address is None:
        print("Where the service answers at another address, put that in place of the link's beginning.")
    return 0


def _made(invited: users.Invited) -> str:
    return "made" if invited.new else "known already; an earlier link ends"


def list_users(_asked: argparse.Namespace, settings: Settings) -> int:
    """Print one line an account."""
    with opened(settings) as database, database.reading() as session:
        known = users.listed(session, AllDealers())
    for each in known:
        state = "disabled" if each.disabled else "has a password" if each.has_password else "no password yet"
        print(f"{each.email}: {each.role}{f' of {each.dealer}' if each.dealer else ''}, {state}")
    if not known:
        print("There is no account yet.")
    return 0


def disable_user(asked: argparse.Namespace, settings: Settings) -> int:
    """Disable an account."""
    with opened(settings) as database, database.writing() as session:
        users.disable(session, AllDealers(), users.known(session, asked.email))
    print(f"{asked.email.strip().lower()}: disabled; every session of it has ended")
    return 0


def reset_factor(asked: argparse.Namespace, settings: Settings) -> int:
    """Take an account's second factor away, end every sign-in of it, and tell its owner by mail."""
    with opened(settings) as database, database.writing() as session:
        was_there = securing.reset_factor(session, users.known(session, asked.email))
    done = "second factor removed; every session of it has ended" if was_there else "has no second factor"
    print(f"{asked.email.strip().lower()}: {done}")
    return 0


def make_shown(database: Database, slug: str | None = None) -> list[tuple[str, str, str]]:
    """Make an account of each role for a demonstration, the adviser's at a dealer or the first; return role, address and password."""
    made = []
    with database.writing() as session:
        known = dealer_list.listed(session, AllDealers())
        dealer = next((info for info in known if info.slug == slug), known[0])
        for role in ROLES:
            bound = dealer.slug if ROLES[role].one_dealer else None
            email, password = f"{role}-{_letters(4)}@demo.example", "-".join(_letters(5) for _group in range(4))
            invited = users.add(session, email, role, bound)
            users.set_password(session, invited.secret, passwords.hash_password(password))
            made.append((f"{role} of {dealer.name}" if bound else role, email, password))
    return made


def _letters(count: int) -> str:
    return "".join(secrets.choice(ALPHABET.lower()) for _place in range(count))
