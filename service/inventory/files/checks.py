"""What the rows of a folder must be to each other and to what is stored.

Every check names the rows it refuses in their sheet's ``problems``. A row that points to one already refused is passed over:
one slip is told once.
"""

import datetime as dt
from collections.abc import Container

from model.domain.vocabulary import CARRYING, OWN, Hold, Instrument, OutcomeKind
from service.core.language import N_, _
from service.inventory.files import kinds
from service.inventory.files.file_problems import shown
from service.inventory.files.folders import Parsed, StoredRecords, laid_over
from service.inventory.files.kinds import FileKind
from service.inventory.files.spreadsheets import CsvRow, CsvTable
from service.inventory.files.stored import Values
from service.tables import QUANTITIES

FIXED_OF_TRIAL = ("player", "instrument", "hold")
"""What a stored trial keeps whatever is loaded: its runs were played by this player on this instrument."""
_NO_HOLD = N_("nothing: only double basses have a hold")
NAMES_COPY = (OutcomeKind.KEPT, OutcomeKind.RETURNED)


class Check:
    """The checks of one folder laid over the stored range and history; ``last_day``: the latest date that is not in the future."""

    def __init__(self, parsed: Parsed, known: StoredRecords, last_day: dt.date) -> None:
        self.parsed = parsed
        self.known = known
        self.last_day = last_day
        self.tiers = known.tiers | laid_over(parsed.sheet(kinds.TIERS), known.tiers)
        self.copies = known.copies | laid_over(parsed.sheet(kinds.COPIES), known.copies)
        self.trials: dict[object, CsvRow] = {}
        self.played: set[tuple[object, object]] = {(run["trial"], run["copy"]) for run in known.runs.values()}

    def run(self) -> None:
        """Make every check."""
        self._tiers()
        self._of_tiers(kinds.CHARACTER)
        self._of_tiers(kinds.PRICES)
        self._copies()
        self._bench()
        self._events()
        self._runs()
        self._outcomes()

    def _tiers(self) -> None:
        sheet = self.parsed.sheet(kinds.TIERS)
        for row in sheet.rows:
            tier = self.tiers[str(row.get("tier"))]
            bass = tier["instrument"] == Instrument.DOUBLE_BASS
            if bass != bool(tier["holds"]):
                expected = _("german, french or both") if bass else _(_NO_HOLD)
                sheet.complain(row.line, "holds", shown(tier["holds"]), expected)
            _whole_price(sheet, row, tier)
            stored = self.known.tiers.get(str(row.get("tier")))
            if stored is not None and stored["instrument"] != tier["instrument"]:
                expected = _("{stored}: a tier keeps its instrument; give the new one a new slug")
                expected = expected.format(stored=shown(stored["instrument"]))
                sheet.complain(row.line, "instrument", shown(tier["instrument"]), expected)

    def _of_tiers(self, kind: FileKind) -> None:
        sheet = self.parsed.sheet(kind)
        for row in sheet.rows:
            self._refer(sheet, row, "tier", kinds.TIERS, self.tiers)

    def _copies(self) -> None:
        sheet = self.parsed.sheet(kinds.COPIES)
        lines = {str(row.get("copy")): row.line for row in sheet.rows}
        changed = self.parsed.keys(kinds.TIERS, "tier")
        for row in sheet.rows:
            if row.get("copy") == OWN:
                expected = _("a serial: {own} stands for the player's own bow").format(own=shown(OWN))
                sheet.complain(row.line, "copy", shown(OWN), expected)
            self._refer(sheet, row, "tier", kinds.TIERS, self.tiers)
        for serial, copy in self.copies.items():
            if copy["tier"] in self.tiers and (serial in lines or copy["tier"] in changed):
                self._copy_suits_tier(serial, copy, lines.get(serial))

    def _copy_suits_tier(self, serial: str, copy: Values, line: int | None) -> None:
        tier = self.tiers[copy["tier"]]
        holds = (tier["holds"] or "").split()
        stored = self.known.copies.get(serial)
        sheet = self.parsed.sheet(kinds.COPIES)
        expected = None
        if copy["hold"] not in (holds or [None]):
            either = _("german or french, a hold of its tier")
            of_tier = either if len(holds) > 1 else _("{hold}, a hold of its tier").format(hold=" ".join(holds))
            fits = _("a hold that fits the tier {tier} as loaded").format(tier=copy["tier"])
            expected = fits if line is None else of_tier if holds else _(_NO_HOLD)
        elif stored is not None and (stored["hold"] != copy["hold"]):
            expected = _("{stored}: a copy keeps its hold; give another bow another serial")
            expected = expected.format(stored=shown(stored["hold"]))
        if expected is not None:
            got = _("{hold} for the copy {copy}").format(hold=shown(copy["hold"]), copy=serial)
            sheet.complain(line, "hold", got, expected)
        elif stored is not None and self.tiers[stored["tier"]]["instrument"] != tier["instrument"]:
            wanted = _("a tier of the {instrument}, its instrument so far")
            instrument = self.tiers[stored["tier"]]["instrument"]
            sheet.complain(line, "tier", shown(copy["tier"]), wanted.format(instrument=instrument))

    def _bench(self) -> None:
        sheet = self.parsed.sheet(kinds.BENCH)
        for row in sheet.rows:
            self._refer(sheet, row, "copy", kinds.COPIES, self.copies)
            self._not_in_future(sheet, row)
            unit = QUANTITIES[str(row.get("quantity"))]
            if row.get("unit") not in (None, unit):
                expected = _("{unit}, the unit of {quantity}").format(unit=shown(unit), quantity=row.get("quantity"))
                sheet.complain(row.line, "unit", shown(row.get("unit")), expected)

    def _events(self) -> None:
        sheet = self.parsed.sheet(kinds.EVENTS_FILE)
        for row in sheet.rows:
            self._refer(sheet, row, "copy", kinds.COPIES, self.copies)
            self._not_in_future(sheet, row)

    def _runs(self) -> None:
        sheet = self.parsed.sheet(kinds.RUNS)
        at_position: dict[tuple[object, object], CsvRow] = {}
        for row in sheet.rows:
            trial = row.get("trial")
            first = self.trials.setdefault(trial, row)
            if first is row:
                self._trial(sheet, row)
            elif row.shared is not first.shared:
                self._same_trial(sheet, row, first)
            self._run(sheet, row)
            same_place = at_position.setdefault((trial, row.get("position")), row)
            if same_place.get("copy") != row.get("copy"):
                expected = _("{earlier} as on line {line}: one bow is played at one position").format(
                    earlier=shown(same_place.get("copy")), line=same_place.line
                )
                sheet.complain(row.line, "copy", shown(row.get("copy")), expected)
            self.played.add((trial, row.get("copy")))

    def _trial(self, sheet: CsvTable, row: CsvRow) -> None:
        bass = row.get("instrument") == Instrument.DOUBLE_BASS
        if bass != (row.get("hold") is not None):
            expected = _("german, french or either") if bass else _(_NO_HOLD)
            sheet.complain(row.line, "hold", shown(row.get("hold")), expected)
        if row.get("budget") is not None and row.get("currency") is None:
            sheet.complain(row.line, "currency", shown(None), _("the currency of the budget, such as EUR"))
        self._not_in_future(sheet, row)
        stored = self.known.trials.get(str(row.get("trial")))
        for name in FIXED_OF_TRIAL if stored is not None else ():
            if name in sheet.present and stored is not None and row.get(name) != stored[name]:
                expected = _("{stored} as stored: a trial keeps its {column}; give another trial another key")
                expected = expected.format(stored=shown(stored[name]), column=name)
                sheet.complain(row.line, name, shown(row.get(name)), expected)

    def _same_trial(self, sheet: CsvTable, row: CsvRow, first: CsvRow) -> None:
        for name, value in row.shared.items():
            if value != first.shared[name]:
                expected = _("{earlier} as on line {line}: the same on every row of a trial")
                expected = expected.format(earlier=shown(first.shared[name]), line=first.line)
                sheet.complain(row.line, name, shown(value), expected)

    def _run(self, sheet: CsvTable, row: CsvRow) -> None:
        if row.get(CARRYING) is not None and row.get("rater") != "listener":
            sheet.complain(row.line, CARRYING, shown(row.get(CARRYING)), _("nothing: only a listener rates it"))
        self._strokes(sheet, row)
        if row.get("copy") == OWN or not self._refer(sheet, row, "copy", kinds.COPIES, self.copies):
            return
        copy = self.copies[str(row.get("copy"))]
        tier, hold = self.tiers.get(copy["tier"]), row.get("hold")
        if tier is None:
            return  # told where the copy names it
        if row.get("instrument") != tier["instrument"]:
            got = _("{copy}, a bow for the {instrument}").format(
                copy=shown(row.get("copy")), instrument=tier["instrument"]
            )
            expected = _("a bow for the {instrument}").format(instrument=row.get("instrument"))
            sheet.complain(row.line, "copy", got, expected)
        elif copy["hold"] is not None and hold not in (copy["hold"], Hold.EITHER, None):
            got = _("{copy}, built for the {hold} hold").format(copy=shown(row.get("copy")), hold=copy["hold"])
            expected = _("a bow for the {hold} hold, as the player plays").format(hold=hold)
            sheet.complain(row.line, "copy", got, expected)

    def _strokes(self, sheet: CsvTable, row: CsvRow) -> None:
        from model.bench import playable_range  # noqa: PLC0415 - as in `cells.strokes`

        strokes, clean = row.get("strokes"), row.get("clean_strokes")
        if row.get("rater") == "listener" and (strokes, clean) != (None, None):
            column = "clean_strokes" if strokes is None else "strokes"
            sheet.complain(row.line, column, shown(row.get(column)), _("nothing: only the player plays them"))
        elif strokes is not None:
            counted = playable_range.clean_strokes(playable_range.from_text(str(strokes)))
            if clean != counted:
                unfinished = _("nothing, as not all eight strokes were played")
                expected = unfinished if counted is None else _("{count}, as the strokes say").format(count=counted)
                sheet.complain(row.line, "clean_strokes", shown(clean), expected)

    def _outcomes(self) -> None:
        sheet = self.parsed.sheet(kinds.OUTCOMES)
        trials: set[object] = {*self.known.trials, *self.trials}
        for row in sheet.rows:
            self._not_in_future(sheet, row)
            _whole_price(sheet, row, row.values)
            copy = row.get("copy")
            if row.get("price") is not None and row.get("outcome") != OutcomeKind.KEPT:
                sheet.complain(
                    row.line, "price", shown(row.get("price")), _("nothing: only a bow that was kept is paid")
                )
            if copy == OWN:
                expected = _("a serial, or the outcome none where the own bow stays")
                sheet.complain(row.line, "copy", shown(copy), expected)
            elif row.get("outcome") in NAMES_COPY and copy is None:
                expected = _("the serial of the copy that was {outcome}").format(outcome=row.get("outcome"))
                sheet.complain(row.line, "copy", shown(None), expected)
            elif copy is None or self._refer(sheet, row, "copy", kinds.COPIES, self.copies):
                self._outcome_of_trial(sheet, row, trials)

    def _outcome_of_trial(self, sheet: CsvTable, row: CsvRow, trials: Container[object]) -> None:
        if not self._refer(sheet, row, "trial", kinds.RUNS, trials):
            return
        trial, copy = row.get("trial"), row.get("copy")
        held = self.trials[trial].get("date") if trial in self.trials else self.known.trials[str(trial)]["date"]
        if isinstance(held, dt.date) and isinstance(day := row.get("date"), dt.date) and day < held:
            sheet.complain(row.line, "date", str(day), _("{day}, the day of the trial, or later").format(day=held))
        unsure = str(trial) in self.parsed.sheet(kinds.RUNS).bad_keys
        if row.get("outcome") in NAMES_COPY and (trial, copy) not in self.played and not unsure:
            expected = _("a copy that was played in the trial {trial}").format(trial=trial)
            sheet.complain(row.line, "copy", shown(copy), expected)

    def _refer(self, sheet: CsvTable, row: CsvRow, column: str, kind: FileKind, there: Container[object]) -> bool:
        """Say whether what a cell points to is there; where it is not, and was not refused itself, complain."""
        value = str(row.get(column))
        if value in there:
            return True
        if value not in self.parsed.sheet(kind).bad_keys:
            expected = _("a {column} of {file} or one loaded before").format(column=column, file=kind.name)
            sheet.complain(row.line, column, shown(value), expected)
        return False

    def _not_in_future(self, sheet: CsvTable, row: CsvRow) -> None:
        day = row.get("date")
        if isinstance(day, dt.date) and day > self.last_day:
            expected = _("a date that is not in the future, {day} at the latest").format(day=self.last_day)
            sheet.complain(row.line, "date", str(day), expected)


def _whole_price(sheet: CsvTable, row: CsvRow, values: Values) -> None:
    """Complain of a price without its currency, and of a currency without its price."""
    if (values.get("price") is None) != (values.get("currency") is None):
        column, expected = (
            ("currency", _("a currency, as there is a price"))
            if values.get("currency") is None
            else ("price", _("a price, as there is a currency"))
        )
        sheet.complain(row.line, column, shown(None), expected)
