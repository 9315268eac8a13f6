"""The page of each step: its questions' words, what stands in its fields, what is wrong with it."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Any

from model.domain.vocabulary import LEADING, Criterion, Instrument
from service.core.language import _
from service.form.drafts import Draft
from service.players import data_links
from service.questionnaire import answer_summary, asking, choices, tried_fields
from service.questionnaire.forms import STEPS, OwnBowStep, TriedStep
from service.web import page_data
from service.web.page_data import Look

BASS = "double-bass"
"""The double bass's own questions, as a page of their own for browsers that cannot show them in place."""
TRIED = TriedStep.name
"""The bows tried already, as a page of its own beside the own bow's: for whoever wants to name some."""
ORDER = tuple(step.name for step in STEPS if step is not TriedStep)
PLACES = tuple(step.name for step in STEPS)
"""Every step that a button may lead to."""
INSTRUMENT, WORK, OWN_BOW, WISHES, BUDGET, CONTACT = ORDER
CHECKING = "?then=check"
"""Added to an address so that 'Next' leads back to the last step."""
ALIKE = {str(criterion): field for field, criterion in OwnBowStep.ratings.items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class StepPage(page_data.FormPage):
    """What every step has.

    ``progress``: '3 of 6, about two minutes left'.
    ``place``: the same two numbers, to be drawn.
    ``notices``: what the reader must know before going on.
    ``first``: True where there is no step to go back to.
    ``questions``: those that are drawn one like the other.
    """

    progress: str
    place: tuple[int, int]
    notices: tuple[str, ...]
    first: bool
    questions: tuple[asking.Question, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """What the routes know and every step's page needs: see `StepPage`.

    ``checking``: the reader came from the last step to change one answer, and 'Next' leads back there.
    """

    dealer: str | None
    demo: bool
    csrf: str
    currencies: tuple[str, ...]
    look: Look | None = None
    checking: bool = False


@dataclass(frozen=True, slots=True)
class Rows:
    """How the rows of bows tried are to change: one taken out, or an empty one added; ``anchor``: where the reader goes on."""

    without: int | None
    blank: bool
    anchor: str


def rows_asked_for(go: str) -> Rows | None:
    """Return what a button of the bows tried asks for, None for one that leads elsewhere."""
    verb, _dash, row = go.partition("-")
    if verb == "add":
        return Rows(None, True, "#add")
    if verb == "remove" and row.isascii() and row.isdigit():
        return Rows(int(row), False, "#add")
    return None


def asks_tried(draft: Draft) -> bool:
    """Say whether the bows tried are asked for: of whom, or whether some are named already."""
    return bool(draft.dealer) or bool(tried_fields.rows(draft.fields(TRIED)))


def step_of(page: str) -> str:
    """Return the step that a page belongs to."""
    return INSTRUMENT if page == BASS else page


def before(page: str) -> str:
    """Return the page that 'Back' leads to."""
    if page in (BASS, TRIED):
        return INSTRUMENT if page == BASS else OWN_BOW
    return ORDER[max(ORDER.index(page) - 1, 0)]


def after(page: str) -> str:
    """Return the page that 'Next' leads to; the last step's is itself."""
    return ORDER[min(_number(page), len(ORDER) - 1)]


def _number(page: str) -> int:
    """Return which of the steps a page is of, from 1 on."""
    return ORDER.index(OWN_BOW if page == TRIED else step_of(page)) + 1


def page_of(name: str, draft: Draft, faults: dict[str, str], frame: Frame) -> StepPage:
    """Return the context of a step's page.

    ``name``: the page, a step's name or `BASS`.
    ``faults``: one sentence by field, empty while nothing is to be complained of.
    """
    step, number = step_of(name), _number(name)
    said = {field: asking.fault(field, sentence) for field, sentence in faults.items()}
    typed = page_data.Typed(draft.fields(step), said)
    questions = _questions(step, draft, typed)
    # As they stand on the page, boxes below the rest; what belongs to no question comes last.
    asked = [question.field for question in sorted(questions, key=lambda each: each.kind == "box")]
    told = sorted(said.items(), key=lambda fault: asked.index(fault[0]) if fault[0] in asked else len(asked))
    return StepPage(
        title=_("Your double bass") if name == BASS else _(choices.STEP_WORDS[step][0]),
        dealer=frame.dealer,
        demo=frame.demo,
        look=frame.look,
        progress=_("{number} of {all}, {time}").format(
            number=number, all=len(ORDER), time=choices.time_left(ORDER[number - 1])
        ),
        place=(number, len(ORDER)),
        notices=tuple(_notices(draft.dropped)),
        action=f"/form/{draft.address}/{name}{CHECKING if frame.checking else ''}",
        csrf=frame.csrf,
        first=name == ORDER[0],
        typed=typed,
        questions=questions,
        faults=tuple(_fault(field, sentence) for field, sentence in told),
    )


def _questions(step: str, draft: Draft, typed: page_data.Typed) -> tuple[asking.Question, ...]:
    """Return a step's questions; whoever has no bow is not asked about one lighter than theirs."""
    asked = asking.of_step(step, typed.fields, draft.instrument, at_dealer=bool(draft.dealer))
    if draft.given.get(OWN_BOW, {}).get("own_bow", True) is not None:
        return asked
    usual = _("A lighter or a heavier bow than is usual?")
    return tuple(replace(each, legend=usual) if each.field == "wish_mass" else each for each in asked)


def _fault(field: str, sentence: str) -> page_data.Fault:
    name = asking.name_of(field)
    return page_data.Fault(asking.anchor(field), _("{name}: {sentence}").format(name=name, sentence=sentence))


def _notices(dropped: Iterable[str]) -> Iterable[str]:
    words = {
        "hold": _(
            "You changed the instrument, so hold and strings of the double bass are no longer among your answers."
        ),
        "own_bow": _(
            "You changed the instrument, so what it left without sense was taken out of the answers on your own bow."
        ),
        "tried": _("You changed the instrument, so the bows you had named as played are no longer among your answers."),
    }
    return (words[what] for what in dropped)


def besides(name: str, draft: Draft, typed: page_data.Typed, frame: Frame) -> dict[str, Any]:
    """Return what a step's template is told besides its page, by name."""
    return _BESIDES[name](draft, typed, frame) if name in _BESIDES else {}


def _own_bow(draft: Draft, _typed: page_data.Typed, _frame: Frame) -> dict[str, Any]:
    """Return the rows that lead for the instrument, whether bows played here may be named beside, and those that are."""
    fields = {criterion: ALIKE[str(criterion)] for criterion in Criterion}
    return {
        "scales": choices.leading(draft.instrument or next(iter(LEADING)), fields),
        "asks_tried": asks_tried(draft),
        "played": answer_summary.tried(draft.answers()),
    }


def _tried(draft: Draft, typed: page_data.Typed, _frame: Frame) -> dict[str, Any]:
    """Return a row a bow, and whether there is room for one more."""
    rows = tried_fields.rows(typed.fields) or (1,)
    bows = [asking.tried_bow(row, draft.instrument or next(iter(LEADING)), typed.fields) for row in rows]
    return {"bows": bows, "may_add": len(rows) < tried_fields.MOST}


def _budget(_draft: Draft, typed: page_data.Typed, frame: Frame) -> dict[str, Any]:
    """Return the currencies that something is priced in, and the one that was typed."""
    given = typed.value("currency").upper()
    return {"currencies": dict.fromkeys([*frame.currencies, *([given] if given else [])])}


def _contact(draft: Draft, _typed: page_data.Typed, frame: Frame) -> dict[str, Any]:
    """Return the answers to be checked, and where it says what is kept and why."""
    kept = data_links.privacy_path(draft.dealer if frame.dealer else None)
    return {"answers": answer_summary.lines(draft.answers()), "privacy": kept}


_BESIDES: dict[str, Callable[[Draft, page_data.Typed, Frame], dict[str, Any]]] = {
    OWN_BOW: _own_bow,
    TRIED: _tried,
    WISHES: lambda *_of: {"criteria": (choices.unsure(), *choices.criteria())},
    BUDGET: _budget,
    CONTACT: _contact,
}
PAGES = (INSTRUMENT, BASS, WORK, OWN_BOW, TRIED, WISHES, BUDGET, CONTACT)
"""Every page of the form, by its name in the address."""


def needs_bass_page(draft: Draft, faults: dict[str, str], name: str) -> bool:
    """Say whether all that is missing is the double bass's hold, which has a page of its own."""
    is_unasked = not any(draft.fields(INSTRUMENT).get("hold", ()))
    return name == INSTRUMENT and draft.instrument is Instrument.DOUBLE_BASS and set(faults) == {"hold"} and is_unasked
