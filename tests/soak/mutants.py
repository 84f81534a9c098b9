"""Files as no device writes them: sound ones of every layout, broken in ways that files do get broken."""

from __future__ import annotations

import gzip
import random
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from tests.faults.kills import FILES
from tests.ingest.drain_logs import DATA, HEADER, Log, row

Mutate = Callable[[random.Random, bytes], bytes]

_TRACE = " ".join(str(-200 + i % 40) for i in range(200))
SEEDS: dict[str, bytes] = {
    **{path.name: path.read_bytes() for path in sorted(DATA.iterdir()) if path.is_file()},
    **FILES,
    "a day.csv": Log(tuple(row(i, alerts="battery_low" if i % 50 == 7 else "") for i in range(720)), end="# end: rows=720").data,
    "traced.csv": Log(tuple(row(i, trace=_TRACE if i % 3 == 0 else "") for i in range(60)), end="# end: rows=60").data,
}  # fmt: skip

_TOKENS = (
    b"\n", b"\r", b"\r\n", b"\0", b'"', b'""', b",", b";", b"\t", b"#", b"# ", b"\xff", b"\xfe", b"\xef\xbf\xbd", b" ",
    b"nan", b"inf", b"-inf", b"1e400", b"-1e400", b"1e-400", b"0x10", b"9" * 400, b"-0", b"1_000", b"+5", b".5", b"5.",
    b"--", b"E", b"U", b"L", b"E U L", b"null", b"=1+1", b"@x", b"'; DROP TABLE drain; --", b"../../etc/passwd",
    "\uff11\uff12".encode(), "\u2028".encode(), "\x85".encode(), "\u202e".encode(), "é".encode(), "\U0001f600".encode(),
    b"2031-02-29T10:00", b"2031-03-10T24:00", b"0000-01-01T00:00", b"9999-12-31T23:59", b"2031-03-30T02:30",
    b"1970-01-01T00:00", b"2031-03-10T14:00:59", b"20310310T1400", b"14:00", b"\n# end: rows=2", b"# end: rows=-1",
    b"\n# drain-log: 1\n", b"# exported_at: 9999-12-31T23:59:59-23:59\n", b"# timezone: ../../etc/localtime\n",
    b"# device: ../x\n", b"# trace: rate_hz=1e9 factor=nan origin=inf unit=parsec\n",
)  # fmt: skip
_NUMBERS = (
    b"1e400",
    b"-1e400",
    b"9" * 400,
    b"1e-400",
    b"nan",
    b"inf",
    b"1e308",
    b"-1e308",
    b"9223372036854775808",
    b"1,5",
)
_ZIP = b"PK\x03\x04\x14\0\x06\0\x08\0\0\0!\0"
_OTHERS = (
    _ZIP + b"[Content_Types].xml", b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n", b"\x89PNG\r\n\x1a\n", b"\x7fELF\x02\x01\x01",
    b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", b"<!DOCTYPE html><html>", b'{"resourceType": "Observation"}', b"BZh91AY&SY",
    b"\xfd7zXZ\0", b"\x28\xb5\x2f\xfd", b"PAR1", b"SQLite format 3\0",
)  # fmt: skip


@dataclass(frozen=True)
class Mutant:
    """A broken file: its name, its bytes, and what was done to which sound one."""

    name: str
    data: bytes
    made: str


def mutant(seed: int) -> Mutant:
    """The mutant of that number, the same on every machine."""
    return mutate(random.Random(seed))


def mutate(chance: random.Random, seeds: Mapping[str, bytes] = SEEDS) -> Mutant:
    """A mutant of one of these files as chance has it."""
    name = chance.choice(sorted(seeds))
    data = seeds[name]
    made = [name]
    for _ in range(chance.choice((1, 1, 2, 2, 3, 5))):
        change = chance.choice(_CHANGES)
        data = change(chance, data)
        made.append(change.__name__.strip("_"))
    if chance.random() < 0.002:
        change = chance.choice(_HEAVY)
        data = change(chance, data)
        made.append(change.__name__.strip("_"))
    if chance.random() < 0.15:
        change = chance.choice(_WRAPS)
        data = change(chance, data)
        made.append(change.__name__.strip("_"))
    return Mutant(name, data, " ".join(made))


def _span(chance: random.Random, data: bytes, most: int = 200) -> tuple[int, int]:
    start = chance.randint(0, len(data))
    return start, min(len(data), start + chance.randint(0, most))


def _flip(chance: random.Random, data: bytes) -> bytes:
    changed = bytearray(data)
    for _ in range(chance.randint(1, 8)):
        if changed:
            changed[chance.randrange(len(changed))] ^= 1 << chance.randrange(8)
    return bytes(changed)


def _delete(chance: random.Random, data: bytes) -> bytes:
    start, stop = _span(chance, data)
    return data[:start] + data[stop:]


def _insert(chance: random.Random, data: bytes) -> bytes:
    at = chance.randint(0, len(data))
    return data[:at] + chance.randbytes(chance.randint(1, 30)) + data[at:]


def _token(chance: random.Random, data: bytes) -> bytes:
    start, stop = _span(chance, data, chance.choice((0, 0, 5)))
    return data[:start] + chance.choice(_TOKENS) + data[stop:]


def _cell(chance: random.Random, data: bytes) -> bytes:
    """One whole cell of one line says something else."""
    lines = data.split(b"\n")
    at = chance.randrange(len(lines))
    sign = b";" if lines[at].count(b";") > lines[at].count(b",") else b","
    cells = lines[at].split(sign)
    cells[chance.randrange(len(cells))] = chance.choice(_TOKENS + _NUMBERS)
    lines[at] = sign.join(cells)
    return b"\n".join(lines)


def _column(chance: random.Random, data: bytes) -> bytes:
    """One cell of every line says the same strange thing."""
    said, at = chance.choice((*_NUMBERS, b"", b" ", b"x")), chance.randrange(15)
    lines = []
    for line in data.split(b"\n"):
        cells = line.split(b",")
        if at < len(cells) and not line.startswith((b"#", b"record")):
            cells[at] = said
        lines.append(b",".join(cells))
    return b"\n".join(lines)


def _splice(chance: random.Random, data: bytes) -> bytes:
    other = SEEDS[chance.choice(sorted(SEEDS))]
    start, stop = _span(chance, other, 2000)
    at = chance.randint(0, len(data))
    return data[:at] + other[start:stop] + data[at:]


def _truncate(chance: random.Random, data: bytes) -> bytes:
    return data[: chance.randint(0, len(data))]


def _behead(chance: random.Random, data: bytes) -> bytes:
    return data[chance.randint(0, min(len(data), 600)) :]


def _repeat(chance: random.Random, data: bytes) -> bytes:
    lines = data.split(b"\n")
    at = chance.randrange(len(lines))
    return b"\n".join([*lines[:at], *[lines[at]] * chance.choice((2, 3, 50, 1500)), *lines[at + 1 :]])


def _twice(_: random.Random, data: bytes) -> bytes:
    return data + data


def _swap(chance: random.Random, data: bytes) -> bytes:
    lines = data.split(b"\n")
    for _ in range(chance.choice((1, 3, 40))):
        one, other = chance.randrange(len(lines)), chance.randrange(len(lines))
        lines[one], lines[other] = lines[other], lines[one]
    return b"\n".join(lines)


def _drop_line(chance: random.Random, data: bytes) -> bytes:
    lines = data.split(b"\n")
    del lines[chance.randrange(min(len(lines), 12))]
    return b"\n".join(lines)


def _columns_moved(chance: random.Random, data: bytes) -> bytes:
    names = HEADER.split(",")
    chance.shuffle(names)
    kept = names[: chance.choice((len(names), len(names) - 1, 3))] + chance.choice(
        ([], ["clock"], [""], ["x" * 300])
    )
    return data.replace(HEADER.encode(), ",".join(kept).encode())


def _mark(chance: random.Random, data: bytes) -> bytes:
    return (
        chance.choice(
            (b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff", b"\0\0\xfe\xff", b"\xef\xbb\xbf\xef\xbb\xbf")
        )
        + data
    )


def _recoded(chance: random.Random, data: bytes) -> bytes:
    text = data.decode("utf-8", "replace")
    return text.encode(
        chance.choice(("utf-16", "utf-16-le", "utf-16-be", "utf-32", "latin-1", "cp037")), "replace"
    )


def _line_ends(chance: random.Random, data: bytes) -> bytes:
    ends = (b"\n", b"\r\n", b"\r", b"\n\n", b"\n\r", b"\x0b", b"\x0c")
    usual = chance.choice(ends)
    parts = data.split(b"\n")
    if chance.random() < 0.5:
        return usual.join(parts)
    return b"".join(part + chance.choice(ends) for part in parts)


def _nuls(chance: random.Random, data: bytes) -> bytes:
    at = chance.randint(0, len(data))
    return data[:at] + b"\0" * chance.choice((1, 7, 4096)) + data[at:]


def _quotes(chance: random.Random, data: bytes) -> bytes:
    sign = chance.choice((b",", b"\n", b"1", b";"))
    return data.replace(sign, chance.choice((b'"', b'","', b'""', b'"\n')) + sign, chance.choice((1, 3, 100)))


def _other_signs(chance: random.Random, data: bytes) -> bytes:
    one, other = chance.choice(
        ((b",", b";"), (b".", b","), (b",", b"\t"), (b"-", b"\xe2\x88\x92"), (b":", b"."), (b"#", b"//"))
    )
    return data.replace(one, other, chance.choice((-1, 5)))


def _masked(chance: random.Random, data: bytes) -> bytes:
    return chance.choice(_OTHERS) + chance.choice((b"", data, chance.randbytes(500)))


def _emptied(chance: random.Random, _: bytes) -> bytes:
    return chance.choice(
        (
            b"",
            b"\n",
            b" ",
            b"\xef\xbb\xbf",
            b"\0" * 100,
            b"#",
            b"# drain-log: 1",
            b"\x1f\x8b",
            b"# drain-registry: 1\n",
        )
    )


def _long_line(chance: random.Random, data: bytes) -> bytes:
    at = chance.randint(0, len(data))
    return (
        data[:at]
        + chance.choice((b"9", b"a", b" ", b"1 ", b"E7;")) * chance.choice((70_000, 400_000, 1_100_000))
        + data[at:]
    )


def _wide(chance: random.Random, data: bytes) -> bytes:
    lines = data.split(b"\n")
    at = min(len(lines) - 1, chance.randrange(12))
    lines[at] += chance.choice(
        (b"," * 100_000, b"".join(b",c%d" % i for i in range(100_000)), b",clock" * 50_000, b";x" * 50_000)
    )
    return b"\n".join(lines)


def _deep(chance: random.Random, data: bytes) -> bytes:
    return data + chance.choice((b"\n" * 300_000, b"x\n" * 200_000, b"# \n" * 200_000, b'"\n' * 100_000))


def _packed(_: random.Random, data: bytes) -> bytes:
    return gzip.compress(data, 1, mtime=0)


def _members(chance: random.Random, data: bytes) -> bytes:
    at = chance.randint(0, len(data))
    return b"".join(gzip.compress(part, 1, mtime=0) for part in (data[:at], b"", data[at:]))


def _packed_badly(chance: random.Random, data: bytes) -> bytes:
    packed = gzip.compress(data, 1, mtime=0)
    return chance.choice((_truncate, _flip, _delete))(chance, packed)


def _packed_and_more(chance: random.Random, data: bytes) -> bytes:
    return gzip.compress(data, 1, mtime=0) + chance.choice(
        (b"junk", b"\0" * 512, b"\x1f\x8b", b"\x1f\x8b\x08", data)
    )


def _packed_twice(_: random.Random, data: bytes) -> bytes:
    return gzip.compress(gzip.compress(data, 1, mtime=0), 1, mtime=0)


def bomb(size: int, unit: bytes, head: bytes = b"") -> bytes:
    """A small gzip file that unpacks to about so many bytes."""
    packer = zlib.compressobj(9, zlib.DEFLATED, 31)
    block = unit * ((1 << 20) // len(unit))
    parts = [
        packer.compress(head),
        *(packer.compress(block) for _ in range(size // len(block))),
        packer.flush(),
    ]
    return b"".join(parts)


def _small_bomb(chance: random.Random, data: bytes) -> bytes:
    return bomb(8 << 20, chance.choice((b"\0", b"9", b"1,2\n")), data[:500])


_CHANGES: tuple[Mutate, ...] = (
    _flip, _delete, _insert, _token, _token, _cell, _cell, _cell, _column, _splice, _truncate, _behead, _repeat, _twice,
    _swap, _drop_line, _columns_moved, _mark, _recoded, _line_ends, _nuls, _quotes, _other_signs, _masked, _emptied,
)  # fmt: skip
_HEAVY: tuple[Mutate, ...] = (_long_line, _wide, _deep, _small_bomb)
_WRAPS: tuple[Mutate, ...] = (_packed, _members, _packed_badly, _packed_and_more, _packed_twice)
