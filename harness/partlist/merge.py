"""Rows of a parts list laid over a record: what is changed, what is added, what nobody can place. Writes no file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from harness.partlist.cells import (
    alike,
    arguments,
    designators,
    field_name,
    known_word,
    photos,
    same_number,
    same_tolerance,
    summary,
    value_table,
    whole,
)  # fmt: skip
from harness.partlist.columns import Columns
from harness.partlist.listing import COUNTS, KEYS, NUMBERS, TEXTS, Cells, part_cells, value_cells
from harness.partlist.new_parts import NewParts, kind_told
from harness.partlist.outcome import Merged, Options
from harness.partlist.sheet import Formula, Sheet
from harness.partlist.values import CellFault, Found, code_into, rating_into, specs_of, text_fields, value_into
from harness.partlist.words import CAPACITOR, NOTHING, decimal_sign, plain_words, with_point
from netlists import corrections
from netlists.errors import Finding, RecordError, nearest
from netlists.quantity import QuantitySpec, shown
from netlists.record_inference import DEVIATION
from netlists.record_model import SupplyRecord
from netlists.toml_rewrite import Rewriter

VALUED = ("value", "rating", "low", "high", "tolerance")


def merge(sheet: Sheet, columns: Columns, record: SupplyRecord, text: Rewriter, options: Options) -> Merged:
    """Lays a list over a record's text, which the caller then writes.

    Raises
    ------
    RecordError : cells that cannot be read, with their lines;  OptionError : numbers of two decimal signs
    """
    return _Merger(sheet, columns, record, text, options).merged()


class _Merger:
    def __init__(self, sheet: Sheet, columns: Columns, record: SupplyRecord, text: Rewriter, options: Options) -> None:
        self.sheet, self.columns, self.record, self.text, self.options = sheet, columns, record, text, options
        self.found = Merged()
        self.findings: list[Finding] = []
        self.owners = {one: name for name, stage in record.data.stages.items() for one in stage.parts}
        self.new = NewParts(options.kinds, likeliest=options.likeliest)
        self._seen: dict[tuple[str, str], int] = {}
        self._own: dict[tuple[str, str], tuple[int, str]] = {}  # designator, meaning -> line and cell of a part's own
        self.rows = columns.body(sheet)
        places = [column.place for column in columns.taken if column.meaning in VALUED]
        cells = ((line, row[place]) for line, row in self.rows for place in places)
        self.decimal = decimal_sign(cells, sheet.delimiter, options.decimal)

    def merged(self) -> Merged:
        last: Cells = {}
        for line, row in self.rows:
            try:
                cells = self._cells(row)
                if cells:
                    last = self._row(line, cells, last)
            except CellFault as error:
                self._fault(line, "", str(error))
        if not self.findings:
            self._add_new()
        if self.findings:
            raise RecordError(self.findings[:50])
        named = {designator for designator, _ in self._seen}
        self.found.absent = [one for one in self.owners if one not in named]
        self.found.told = list(dict.fromkeys(self.found.told))
        return self.found

    def _fault(self, line: int, where: str, message: str) -> None:
        self.findings.append(Finding(self.sheet.file, line, where, message))

    def _cells(self, row: Sequence[str]) -> Cells:
        cells: Cells = {}
        for column in self.columns.taken:
            cell = row[column.place]
            if isinstance(cell, Formula):
                raise CellFault(
                    f"column {shown(column.name)} holds the formula {shown(str(cell))}; paste what it comes to"
                )
            if cell and (cell.casefold() not in NOTHING or column.meaning in ("note", "description", "marking")):
                cells[column.meaning] = cell
        return cells

    def _row(self, line: int, cells: Cells, last: Cells) -> Cells:
        """Takes one row; returns what the next one stands below."""
        path = cells.get("field", "")
        if "designator" not in cells and "." in path and "stage" not in cells:
            table = path.rpartition(".")[0]
            if any(known.startswith(f"{table}.") for known in self.record.specs):
                self._value(line, tuple(path.split(".")), cells)
            else:
                self.found.unplaced.append((line, path, f"the record has no table {table}"))
            return {}
        if "designator" not in cells and "stage" not in cells and path and "designator" in last:
            cells = {**{name: last[name] for name in ("stage", "designator") if name in last}, **cells}  # merged cells
        if "designator" not in cells:
            if "stage" in cells and path:
                stage = self._stage(cells["stage"])
                if stage is None:
                    why = f"no stage {shown(cells['stage'])} in the record"
                    self.found.unplaced.append((line, f"{cells['stage']} {path}", why))
                    return {}
                self._value(line, ("stages", stage, field_name(path)), cells)
                return cells
            self.found.unplaced.append((line, summary(cells), "no designator"))
            return {}
        names = designators(cells["designator"])
        many = whole(cells, "quantity")
        if len(names) > 1 and many is not None:
            if many not in (1, len(names)):
                raise CellFault(f"quantity {many} and {len(names)} designators; give each its own row")
            cells = {name: cell for name, cell in cells.items() if name != "quantity"}
        for name in names:
            self._part(line, name, cells)
        return cells

    def _stage(self, cell: str) -> str | None:
        name = plain_words(cell).replace(" ", "_")
        return next((one for one in (cell, name) if one in self.record.data.stages), None)

    def _part(self, line: int, designator: str, cells: Cells) -> None:
        key = (designator, field_name(cells.get("field", "")))
        if key in self._seen:
            what = f"{designator} {key[1]}".strip()
            raise CellFault(f"{what} stands in line {self._seen[key]} too; keep one of the two")
        self._seen[key] = line
        for meaning in (*TEXTS, *COUNTS, "part", "photo", "stage"):
            if meaning in cells:
                other, cell = self._own.setdefault((designator, meaning), (line, cells[meaning]))
                if cell != cells[meaning]:
                    raise CellFault(
                        f"{designator}: {meaning} is {shown(cell)} in line {other}, found {shown(cells[meaning])}"
                    )
        if designator in self.owners:
            self._known_part(line, designator, cells)
        else:
            self._new_part(line, designator, cells)

    # --- a part that the record has

    def _known_part(self, line: int, designator: str, cells: Cells) -> None:
        stage = self.owners[designator]
        path = ("stages", stage, "parts", designator)
        part = self.text.get(path)
        kind = part["kind"]
        if "stage" in cells and self._stage(cells["stage"]) != stage:
            message = f"{designator} stands in stage {stage} of the record, found {shown(cells['stage'])}"
            raise CellFault(f"{message}; a part is moved by hand, since its roles move with it")
        told = cells.get("part", "")
        if told and told != kind and kind_told(told) not in ("", "other", kind) and not (
            kind_told(told) == CAPACITOR and kind.endswith(CAPACITOR)
        ):  # fmt: skip
            raise CellFault(
                f"{designator} is a {kind} in the record, found {shown(told)}; another part is written by hand"
            )
        if "field" in cells:
            self._texts(line, path, part, cells)
            self._value(line, (*path, field_name(cells["field"])), cells)
            return
        found = self._read(kind, cells, has_marking="marking" in part)
        self._texts(line, path, part, cells | self._note(path, part, cells, found))
        own = cells
        for name, value in found.fields.items():
            if name in specs_of(kind):
                self._read_again(line, (*path, name), value, own)
                own = {}  # range and way of knowing are the first one's; a rating is read off the part
        self.found.told += found.told

    def _texts(self, line: int, path: tuple[str, ...], part: Mapping[str, Any], cells: Cells) -> None:
        """Texts, counts and photos of a part, where a cell says another than the record."""
        now = part_cells(part)
        for meaning, name in TEXTS.items():
            cell = cells.get(meaning, "")
            if cell and not alike(cell, now.get(meaning, "")):
                if name not in text_fields(part["kind"]):
                    if meaning == "marking":
                        continue  # read as a code
                    raise CellFault(f"{path[-1]}: a {part['kind']} has no {name}, found {shown(cell)}")
                self._change(line, (*path, name), cell if meaning == "note" else " ".join(cell.split()))
        for meaning, name in COUNTS.items():
            pieces = whole(cells, meaning)
            is_both = meaning == "quantity" and "series" not in cells and pieces == part.get("series", 1) != 1
            if pieces is not None and pieces != part.get(name, 1) and not (is_both and part.get("parallel", 1) == 1):
                self._change(line, (*path, name), pieces)
        if "photo" in cells and cells["photo"] != now.get("photo", ""):
            names = photos(self.options.photo_fault, cells["photo"], part.get("evidence", ()))
            self._change(line, (*path, "evidence"), names)

    def _note(self, path: tuple[str, ...], part: Mapping[str, Any], cells: Cells, found: Found) -> Cells:
        """The part's note with what no field holds."""
        note = cells.get("note", part.get("note", ""))
        missing = [one for one in dict.fromkeys(found.notes) if one not in f"{note} {part.get('description', '')}"]
        if not missing:
            return {}
        self.found.told.append(f"{path[-1]}: kept in its note: {shown('; '.join(missing))}")
        return {"note": "; ".join(filter(None, [note, *missing]))}

    def _read(self, kind: str, cells: Cells, *, has_marking: bool) -> Found:
        """Values in cells of a list that has a row a part."""
        found = Found()
        units = {column.meaning: column.unit for column in self.columns.taken}
        likeliest = self.options.likeliest
        if "value" in cells:
            value_into(found, kind, self._number(cells["value"]), units["value"], likeliest=likeliest)
        if "rating" in cells:
            rating_into(found, kind, self._number(cells["rating"]), units["rating"])
        if "marking" in cells and "marking" not in text_fields(kind) and not has_marking:
            code_into(found, kind, cells["marking"], likeliest=likeliest)
        return found

    def _number(self, cell: str) -> str:
        return with_point(cell, self.decimal)

    def _read_again(self, line: int, path: tuple[str, ...], value: str, cells: Cells) -> None:
        """A value read off a list, against the record's: the same numbers change nothing."""
        dotted = ".".join(path)
        spec, old = self.record.specs[dotted], self.record.quantities.get(dotted)
        new = spec.parse({"value": value, "known": "marked"}, None)
        given: dict[str, Any] = {}
        if old is None or new.nominal != old.nominal or (
            not new.is_exact and (new.low, new.high) != (old.low, old.high)
        ):  # fmt: skip
            given["value"] = value
        default = corrections.default_known(self.text, path)
        given |= self._given(path, spec, {**cells, "value": ""}, old is None)
        if not given:
            return
        raw = self.text.get(path)
        if raw is None and "known" not in given and not default and old is None:
            raise CellFault(f"{path[3]}: say how its value is known, in a column 'how read' or by --known")
        if raw is None and old is not None and "value" not in given:
            return  # given by the marking
        self._change(line, path, corrections.read_anew(raw, default, given))

    # --- a value with a row of its own

    def _value(self, line: int, path: tuple[str, ...], cells: Cells) -> None:
        dotted = ".".join(path)
        spec = self.record.specs.get(dotted, DEVIATION)
        if spec is DEVIATION:
            table = dotted.rpartition(".")[0]
            beside = [one.rpartition(".")[2] for one in self.record.specs if one.rpartition(".")[0] == table]
            raise CellFault(f"no value {shown(path[-1])} at {table}; {nearest(path[-1], beside)}")
        raw, default = self.text.get(path), corrections.default_known(self.text, path)
        given = self._given(path, spec, cells, raw is None)
        if raw is None and dotted in self.record.quantities and given.keys() <= {"known"}:
            return
        if given:
            if raw is None and "known" not in given and not default:
                raise CellFault(f"{dotted}: say how it is known, in a column 'how read' or by --known")
            self._change(line, path, corrections.revised(raw, default, given))

    def _given(self, path: tuple[str, ...], spec: QuantitySpec, cells: Cells, is_new: bool) -> dict[str, Any]:
        """Keys of a value's table that its cells say otherwise than the record."""
        raw, default = self.text.get(path), corrections.default_known(self.text, path)
        now = value_cells(raw, default)
        given: dict[str, Any] = {}
        for meaning, key in KEYS.items():
            cell = cells.get(meaning, "")
            if meaning in NUMBERS and cell and not same_number(cell, self._number(cell), now.get(meaning), spec):
                given[key] = self._number(cell)
            elif meaning == "known" and cell and cell != now.get(meaning):
                given[key] = known_word(path[-1], cell)
            elif meaning not in (*NUMBERS, "known") and cell and not alike(cell, now.get(meaning, "")):
                given[key] = " ".join(cell.split()) if meaning != "date" else cell.partition(" ")[0]
        if given.get("known") == now.get("known"):
            given.pop("known", None)
        if "known" not in given and not now.get("known") and self.options.known and (cells.get("value") or is_new):
            given["known"] = self.options.known
        cell = cells.get("tolerance", "")
        if cell and not same_tolerance(cell, self._number(cell), now.get("tolerance")):
            known = given.get("known", now.get("known", default))
            table = corrections.stated(raw)
            is_uncertain = "uncertainty" in table or ("tolerance" not in table and known == "measured")
            given["uncertainty" if is_uncertain else "tolerance"] = self._number(cell)
        if "of" in cells and cells["of"] != now.get("of"):
            given["of"] = arguments(cells["of"])
        return given

    def _change(self, line: int, path: tuple[str, ...], value: Any) -> None:
        if corrections.is_same(self.text, path, value):
            return
        self.found.corrections.append(corrections.correct(self.text, path, value))
        self.found.origins[path] = (self.sheet.file, line)

    # --- a part that the record lacks

    def _new_part(self, line: int, designator: str, cells: Cells) -> None:
        kind, why = self.new.kind(designator, cells)
        stage = cells.get("stage") or self.options.stage or ""
        name = self._stage(stage) or plain_words(stage).replace(" ", "_")
        if not why and not stage:
            why = "no stage: name one in a column or by --stage"
        elif not why and name not in self.record.data.stages and not self.options.new_stages:
            why = (
                f"no stage {shown(stage)} in the record; {nearest(name, self.record.data.stages)}; --new-stages adds it"
            )
        if why:
            if not self.new.knows(designator):
                self.found.unplaced.append((line, f"{designator}: {summary(cells)}", why))
            return
        part = self.new.part(designator, name, kind, line)
        if "field" in cells:
            self._new_value(designator, kind, field_name(cells["field"]), cells, part)
            found = Found()
        else:
            found = self._read(kind, cells, has_marking="marking" in text_fields(kind) and kind != "other")
            self._main_known(designator, cells, found, part)
        if "photo" in cells:
            part["evidence"] = photos(self.options.photo_fault, cells["photo"], ())
        self.new.texts(designator, cells, found, {meaning: whole(cells, meaning) for meaning in COUNTS})
        self.found.told += [*found.told, *self.new.told]

    def _new_value(self, designator: str, kind: str, name: str, cells: Cells, part: dict[str, Any]) -> None:
        spec = specs_of(kind).get(name)
        if spec is None:
            raise CellFault(f"{designator}: a {kind} has no value {shown(name)}; {nearest(name, specs_of(kind))}")
        part[name] = self._table(designator, cells, self._number(cells.get("value", "")))

    def _main_known(self, designator: str, cells: Cells, found: Found, part: dict[str, Any]) -> None:
        """Values of a row: its range belongs to the first, how it was read to all of them."""
        first = True
        for name, value in found.fields.items():
            if name not in specs_of(part["kind"]):
                part[name] = value
                continue
            own = cells if first else {key: cell for key, cell in cells.items() if key == "known"}
            table = self._table(designator, own, value)
            if not first and table.get("known") in ("measured", "assumed"):
                table["known"] = "marked"  # a rating is read off the part, however its value was found
            part[name], first = table, False

    def _table(self, designator: str, cells: Cells, value: str) -> dict[str, Any]:
        numbers = {meaning: self._number(cells[meaning]) for meaning in NUMBERS if meaning in cells}
        return value_table(designator, {**cells, **numbers}, value, self.options.known)

    def _add_new(self) -> None:
        for (stage, designator), (line, part) in self.new.finished():
            if stage not in self.record.data.stages and stage not in self.found.stages:
                self.text.table(("stages", stage), {"kind": "other"})
                self.found.stages.append(stage)
            path = ("stages", stage, "parts", designator)
            self.text.table(path, part)
            self.found.added[".".join(path)] = part
            self.found.origins[path] = (self.sheet.file, line)
