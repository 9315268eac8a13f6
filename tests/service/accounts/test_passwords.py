"""Passwords: at what cost they are kept, what is taken for one, and that nothing waits while a digest is made."""

import asyncio
import random
import string
import threading
import time

import pytest
from argon2 import PasswordHasher, extract_parameters
from argon2.low_level import Type, core, ffi

from service.accounts import passwords
from service.core.errors import InvalidInputError

GOOD = "rosin kettle amber loom"
DIGEST = passwords.hash_password(GOOD)
# OWASP Cheat Sheet Series, 'Password Storage': argon2id 'with a minimum configuration of 19 MiB of memory, an iteration count
# of 2, and 1 degree of parallelism'.
OWASP_MEMORY_KIB, OWASP_PASSES, OWASP_LANES = 19 * 1024, 2, 1
# RFC 9106, section 4: argon2id is the variant to choose, a 128-bit salt and a 256-bit tag.
RFC_SALT_BYTES, RFC_TAG_BYTES = 16, 32
_RFC_INPUTS = (("pwd", 1, 32), ("salt", 2, 16), ("secret", 3, 8), ("ad", 4, 12))


@pytest.mark.parametrize("digest", [DIGEST, passwords.NOBODYS], ids=["somebody's", "nobody's"])
def test_a_digest_costs_at_least_what_the_cheat_sheet_and_the_rfc_ask_for(digest: str) -> None:
    used = extract_parameters(digest)
    assert used.type is Type.ID
    assert used.version == 0x13
    assert used.memory_cost >= OWASP_MEMORY_KIB
    assert used.time_cost >= OWASP_PASSES
    assert used.parallelism >= OWASP_LANES
    assert used.salt_len >= RFC_SALT_BYTES
    assert used.hash_len >= RFC_TAG_BYTES


def test_the_library_gives_the_tag_that_the_rfc_computes() -> None:
    # RFC 9106, section 5.3: argon2id, 32 KiB, 3 passes, 4 lanes, with a secret and associated data.
    tag = ffi.new("uint8_t[]", 32)
    fields = {name: ffi.new("uint8_t[]", bytes([byte]) * count) for name, byte, count in _RFC_INPUTS}
    context = ffi.new(
        "argon2_context *",
        {
            "out": tag,
            "outlen": 32,
            "t_cost": 3,
            "m_cost": 32,
            "lanes": 4,
            "threads": 4,
            "version": 0x13,
            "allocate_cbk": ffi.NULL,
            "free_cbk": ffi.NULL,
            "flags": 0,
            **fields,
            **{f"{name}len": count for name, _byte, count in _RFC_INPUTS},
        },
    )
    assert core(context, Type.ID.value) == 0
    assert bytes(ffi.buffer(tag)).hex() == "0d640df58d78766c08c037a34a8b53c9d01ef0452d75b65eb52520e96b01e659"


def test_a_password_fits_its_own_digest_only() -> None:
    assert passwords.fits(DIGEST, GOOD)
    for other in (GOOD.upper(), GOOD + " ", GOOD[:-1], "", passwords.NOBODYS):
        assert not passwords.fits(DIGEST, other)
    assert not passwords.fits(passwords.NOBODYS, GOOD)
    assert not passwords.fits("no digest", GOOD)


def test_two_digests_of_one_password_differ_by_their_salts() -> None:
    assert passwords.hash_password(GOOD) != DIGEST


def test_the_whole_password_counts_up_to_the_longest_allowed() -> None:
    # ASVS 5.0, 6.2.8 and 6.2.9: no truncation, at least 64 characters. 72 is where bcrypt would have cut.
    long = "".join(chr(97 + k * k % 26) for k in range(passwords.LONGEST))
    passwords.require_good(long)
    digest = passwords.hash_password(long)
    assert passwords.fits(digest, long)
    assert not passwords.fits(digest, long[:-1])
    assert not passwords.fits(digest, f"{long}x")


def test_an_umlaut_is_the_same_from_every_keyboard() -> None:
    # RFC 8265, 4.2.2: passwords are compared in Unicode's normalization form C.
    assert passwords.fits(passwords.hash_password("K\u00e4se und vier Brote"), "Ka\u0308se und vier Brote")


def test_a_cheaper_digest_is_made_anew() -> None:
    cheap = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1).hash(GOOD)
    assert passwords.fits(cheap, GOOD)
    assert passwords.is_outdated(cheap)
    assert not passwords.is_outdated(DIGEST)


@pytest.mark.parametrize(
    "password",
    [
        GOOD,
        "correct horse battery staple",
        "ein langer satz mit umlauten: äöü",
        "Tr0ub4dor&3 is not enough",
        "弓を持つ手は静かでなければならない",
    ],
)
def test_whatever_is_long_and_not_guessed_is_taken_without_rules_of_composition(password: str) -> None:
    passwords.require_good(password, ("ada@harbour.example", "Ada Byron", "harbour-strings"))


@pytest.mark.parametrize(
    ("password", "why"),
    [
        ("Tr0ub4dor&3", "11 characters"),
        ("x" * 257, "257 characters"),
        ("aaaaaaaaaaaaaaaaaaaa", "easily guessed"),
        ("abcabcabcabcabcabc", "easily guessed"),
        ("1234567890123456", "easily guessed"),
        ("qwertyuiopasdfghjkl", "easily guessed"),
        ("passwordpassword", "easily guessed"),
        ("ada.byron@harbour", "easily guessed"),
        ("HarbourHarbour2026", "easily guessed"),
        ("abcdefghijklmnop!", "easily guessed"),
    ],
)
def test_what_is_short_or_easily_guessed_is_refused_with_the_remedy(password: str, why: str) -> None:
    with pytest.raises(InvalidInputError, match=why) as refused:
        passwords.require_good(password, ("ada@harbour.example", "Ada Byron", "harbour-strings"))
    assert "xpected" in str(refused.value)


OFTEN_USED = [
    *("administrator12345", "Administrator123!", "qwertyuiop1234567", "qwertzuiop1234567", "azertyuiop1234567"),
    *("asdfghjkl1234567", "qwertyuiop[]1234", "1q2w3e4r5t6y7u8i", "q1w2e3r4t5y6u7i8", "1qaz2wsx3edc4rfv"),
    *("!QAZ2wsx#EDC4rfv", "qazwsxedcrfvtgb1", "zaq12wsxcde34rfv", "0987654321qwertyuiop", "password12345678"),
    *("Passw0rd12345678", "P@ssw0rd!P@ssw0rd!", "password!password", "passwordadministrator", "mypassword123456"),
    *("thisisapassword1", "iloveyou123456789", "letmein123456789", "letmeinletmein1", "changeme12345678"),
    *("sunshine12345678", "princessprincess1", "trustno1trustno1", "jennifer12345678", "michaeljordan1984"),
    *("christopher1985!", "alexander01021985", "elizabeth19851985", "alexandermichael1985", "ada.byron.19841984"),
    *("manchesterunited1", "summer2026summer2026", "january2026january", "01011985010119850", "violinviolinviolin"),
    *("passwort12345678", "motdepasse1234567", "harbourstrings2026", "HarbourStrings123456"),
    *("Harbour-Strings-2026!", "adabyron12345678", "byron.harbour.2026"),
]
"""Passwords of 15 characters and more that whoever tries passwords tries early: common ones and names with digits after them, rows
and columns of keys, dates, the owner's and the shop's own words."""
SELDOM_USED = [
    *("lamp orbit velvet moss", "plum-anchor-violet-sock", "my violin teacher hates rain", "never trust a wet bow"),
    *(
        "tisch wolke garten pfeife",
        "vier kalte Kartoffeln tanzen",
        "quatre lampes bleues dorment",
        "il gatto beve acqua fredda",
    ),
    *(
        "kX9#vQ2!mZ7$pL4w",
        "gT4vXq9LmZ2rKw7",
        "7hJk2-9dLsP-qWm4x-Z8",
        "xkqzv-mwbtr-plgnd-hscfj",
        "384719206571938",
        "WqhbLZrTfmVcXpD",
    ),
]
"""Passphrases in four languages, and what password managers draw."""


@pytest.mark.parametrize("password", OFTEN_USED)
def test_a_long_password_that_is_tried_early_is_refused_with_the_remedy(password: str) -> None:
    # ASVS 5.0, 6.2.4, 6.2.11 and 6.2.12: lists of common passwords, and words of the place.
    with pytest.raises(InvalidInputError, match="easily guessed") as refused:
        passwords.require_good(password, ("ada@harbour.example", "Ada Byron", "harbour-strings"))
    assert "four or five words that do not belong together" in str(refused.value)


@pytest.mark.parametrize("password", SELDOM_USED)
def test_passphrases_and_what_a_manager_draws_are_taken(password: str) -> None:
    passwords.require_good(password, ("ada@harbour.example", "Ada Byron", "harbour-strings"))


def test_what_a_manager_draws_at_random_is_hardly_ever_refused() -> None:
    drawn = random.Random(26)
    for letters in (string.ascii_lowercase, string.ascii_letters + string.digits):
        for _time in range(100):
            passwords.require_good("".join(drawn.choice(letters) for _place in range(15)))


def test_the_estimate_takes_long_passwords_and_stays_within_seconds_for_a_text_made_to_be_slow() -> None:
    # zxcvbn raises for more than 72 characters, and tries every way in which letters may stand for others.
    begun = time.process_time()
    passwords.require_good(("4@8({[<3691!|70$5+7%2z" * 12)[:256])
    passwords.require_good("rosin kettle amber loom " * 10)
    assert time.process_time() - begun < 20


def test_a_digest_is_made_beside_the_event_loop_and_few_at_a_time() -> None:
    threads: set[int] = set()
    running, most = 0, 0
    lock = threading.Lock()

    def slow(_text: str) -> None:
        nonlocal running, most
        with lock:
            threads.add(threading.get_ident())
            running += 1
            most = max(most, running)
        time.sleep(0.005)
        with lock:
            running -= 1

    async def ten() -> None:
        await asyncio.gather(*(passwords.in_thread(slow, "x") for _time in range(10)))

    asyncio.run(ten())
    assert threading.get_ident() not in threads
    assert most == passwords.AT_ONCE
