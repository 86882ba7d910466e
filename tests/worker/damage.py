"""Damaged files with an oracle: a good file of any layout, some of whose lines are spoilt; all others must survive."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field

from service.layouts import BUILT_IN, Layout
from worker.intake.lines import LONGEST_LINE

COLUMNS = {
    "reference": "Auftrag", "tool": "Gerät", "taken_at": "Datum", "feature": "Maß", "value": "Messwert [mm]",
    "orientation": "Winkel",
}  # fmt: skip
#: Of which delimiter, decimal sign, encoding and header row are found.
FOREIGN = Layout(
    "hall-3",
    1,
    columns=COLUMNS,
    feature_codes={"AD 1": "piston.large-diameter"},
    timestamp="%d.%m.%Y %H:%M",
    time_zone="UTC",
)
ENCODINGS = ("utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252")
#: Bytes that are no text in any of these.
NO_TEXT = {"utf-8": b"\xff", "utf-8-sig": b"\xed\xa0\x80", "cp1252": b"\x81", "plain": b"\xc3\x28"}


@dataclass(slots=True)
class DamagedFile:
    """A file, and what must become of it.

    Attributes
    ----------
    layout : Layout
    content : bytes
    good : dict
        Line number -> value and orientation of each line that was left alone.
    hit, lost : set of int
        Lines that were damaged, and those of them that cannot be a row any more.
    """

    layout: Layout
    content: bytes = b""
    good: dict[int, tuple[float, float]] = field(default_factory=dict)
    hit: set[int] = field(default_factory=set)
    lost: set[int] = field(default_factory=set)


@dataclass(slots=True)
class Damage:
    """One line as it is written after damage: its text or its bytes, or several; `is_lost` where it is no row."""

    texts: list[str | bytes]
    is_lost: bool


Spoil = Callable[[str, str, random.Random], Damage]


def _at(text: str, chance: random.Random, more: str) -> str:
    place = chance.randrange(len(text) + 1)
    return text[:place] + more + text[place:]


def open_quote(text: str, mark: str, chance: random.Random) -> Damage:
    return Damage([_at(text, chance, '"')], '"' not in text)


def drop_field(text: str, mark: str, chance: random.Random) -> Damage:
    fields = text.split(mark)
    return Damage([mark.join(fields[: chance.randrange(1, len(fields))])], '"' not in text)


def add_fields(text: str, mark: str, chance: random.Random) -> Damage:
    return Damage([text + (mark + "x") * chance.randrange(1, 4)], True)


def cut_off(text: str, mark: str, chance: random.Random) -> Damage:
    return Damage([text[: chance.randrange(1, len(text))]], False)


def control(text: str, mark: str, chance: random.Random) -> Damage:
    return Damage([_at(text, chance, chance.choice("\x00\x07\x1a"))], True)


def other_delimiter(text: str, mark: str, chance: random.Random) -> Damage:
    return Damage([text.replace(mark, chance.choice([other for other in ",;\t|" if other != mark]))], False)


def other_decimal(text: str, mark: str, chance: random.Random) -> Damage:
    return Damage([text.translate(str.maketrans(".,", ",."))], False)


def no_number(text: str, mark: str, chance: random.Random) -> Damage:
    fields = text.split(mark)
    fields[4] = chance.choice(["NaN", "-inf", "1e999", "97 861", "0x61", "wide", "9" * 70, "٣", "1.097,861"])
    return Damage([mark.join(fields)], True)


def two_lines(text: str, mark: str, chance: random.Random) -> Damage:
    place = chance.randrange(1, len(text))
    return Damage([text[:place], text[place:]], False)


def twice(text: str, mark: str, chance: random.Random) -> Damage:
    return Damage([text + text], True)


def rubbish(text: str, mark: str, chance: random.Random) -> Damage:
    # without those that next to others hold the bytes of a UTF-16 line end: which was meant cannot be known
    signs = [chr(n) for n in (*range(1, 10), 11, 12, *range(14, 0x3000, 7)) if n >> 8 not in (0x0A, 0x0D)]
    return Damage(["".join(chance.choices(signs, k=chance.randrange(1, 200)))], False)


def enormous(text: str, mark: str, chance: random.Random) -> Damage:
    kind = chance.randrange(3)
    fields = text.split(mark)
    if kind == 0:
        fields[0] = "W" * 5_000
    elif kind == 1:
        fields[0] = "W" * (LONGEST_LINE + 10)
    else:
        fields[0] = mark * 20_000
    return Damage([mark.join(fields)], True)


DAMAGE: tuple[Spoil, ...] = (
    open_quote, drop_field, add_fields, cut_off, control, other_delimiter, other_decimal, no_number, two_lines, twice,
    rubbish,
)  # fmt: skip


def damaged_file(chance: random.Random) -> DamagedFile:
    """Return a good file with some damaged lines, fewer than a quarter of them."""
    foreign = chance.random() < 0.7
    mark = chance.choice(";\t|") if foreign else ","
    encoding = chance.choice(ENCODINGS) if foreign else "plain"
    made = DamagedFile(FOREIGN if foreign else BUILT_IN["plain"])
    count = chance.randrange(6, 40)
    hit = set(chance.sample(range(count), chance.randrange(1, max(2, count // 4))))
    more = chance.choice([0, 0, 3, 300]) if foreign else 0
    lines: list[str | bytes] = _above(foreign, mark, more, chance)
    decimal = chance.choice(".,") if foreign else "."
    for n in range(count):
        value, turn = round(97.8 + chance.randrange(100) / 1000, 3), n * 9 + 0.5
        text = _row(foreign, mark, decimal, value, turn, more)
        if n in hit:
            _spoil(made, lines, text, mark, encoding, chance)
        else:
            lines.append(text)
            made.good[len(lines)] = (value, turn)
        if foreign and chance.random() < 0.1:
            lines.append(chance.choice(["", "  ", mark * 4]))
    made.content = _written(lines, encoding, chance)
    return made


def _above(foreign: bool, mark: str, more: int, chance: random.Random) -> list[str | bytes]:
    if not foreign:
        return ["reference,tool,taken_at,feature,value,orientation,unit"]
    names = [COLUMNS[name] for name in ("reference", "tool", "taken_at", "feature", "value", "orientation")]
    header = mark.join([*names, *(f"Kanal {n % 7}" for n in range(more))])
    return [*chance.choice([[], ["Messprotokoll" + mark + "Halle 3", ""], ["Prüfer: –"]]), header]


def _row(foreign: bool, mark: str, decimal: str, value: float, turn: float, more: int) -> str:
    if not foreign:
        return f"W1,H-1,2026-03-01T09:30:00Z,piston.large-diameter,{value:.3f},{turn},mm"
    number = f"{value:.3f}".replace(".", decimal)
    fields = ["W1", "H-1", "01.03.2026 09:30", "AD 1", number, str(turn).replace(".", decimal)]
    return mark.join([*fields, *["x"] * more])


def _spoil(
    made: DamagedFile, lines: list[str | bytes], text: str, mark: str, encoding: str, chance: random.Random
) -> None:
    if encoding in NO_TEXT and chance.random() < 0.1:
        content = text.encode("utf-8" if encoding == "plain" else encoding.removesuffix("-sig"))
        place = chance.randrange(len(content))
        damage = Damage([content[:place] + NO_TEXT[encoding] + content[place:]], encoding in ("plain", "cp1252"))
    elif encoding.startswith("utf-16") and chance.random() < 0.3:  # a byte is lost
        content = text.encode("utf-16-be" if encoding == "utf-16-be" else "utf-16-le")
        place = chance.randrange(len(content))
        damage = Damage([content[:place] + content[place + 1 :]], True)
    else:
        damage = (enormous if chance.random() < 0.004 else chance.choice(DAMAGE))(text, mark, chance)
    for piece in damage.texts:
        lines.append(piece)
        made.hit.add(len(lines))
        if damage.is_lost:
            made.lost.add(len(lines))


def _written(lines: list[str | bytes], encoding: str, chance: random.Random) -> bytes:
    wide = encoding.startswith("utf-16")
    end = chance.choice(["\n", "\r\n"] if wide else ["\n", "\r\n", "\r"])
    coding = {"plain": "utf-8", "utf-8-sig": "utf-8", "utf-16": "utf-16-le"}.get(encoding, encoding)
    mark = {"utf-8-sig": b"\xef\xbb\xbf", "utf-16": b"\xff\xfe"}.get(encoding, b"")
    written = [line if isinstance(line, bytes) else line.encode(coding, "replace") for line in lines]
    return mark + end.encode(coding).join(written) + chance.choice([b"", end.encode(coding)])
