"""Changes to valid files that make them bad: of bytes, of lines, and of what YAML says.

Each is a pure function of the random numbers, so an input is found again by its seed and number.
"""

from __future__ import annotations

import random
from collections.abc import Callable

ODD_TEXTS = (
    "",
    "~",
    "null",
    "yes",
    "-1",
    "0",
    "²",
    "٣",
    "1e999",
    "-1e999",
    "nan",
    ".inf",
    "9" * 400,
    "9" * 5000,
    "0x" + "f" * 400,
    "1e-999 V",
    "1 .. 2 .. 3",
    "1_000",
    "1:30",
    "../../../etc/passwd",
    "/etc/passwd",
    "..",
    "a/../b",
    "%00",
    "{it}",
    "{0.__class__.__mro__}",
    "{{7*7}}{% for %}",
    "${HOME}",
    "`id`",
    "'; drop table cases; --",
    "<script>alert(1)</script>",
    "=cmd|'/c calc'!A1",
    "on and (lambda: 0)()",
    "__import__('os').system('true')",
    "a.__class__.__bases__",
    "not " * 400 + "a",
    "(" * 300 + "a" + ")" * 300,
    "a if b else " * 300 + "c",
    "a == 'b' == 'c'",
    "'\\d' == a",
    "a in ()",
    "a in ('b',)",
    "x" * 20_000,
    "\u202egnp.exe",
    "\U0001f4a7" * 50,
    "e\u0301" * 50,
    "2026-13-45T99:99:99",
    "2026-W10-1",
    "0001-01-01T00:00:00",
    "9999-12-31T23:59:59+23:59",
    "!!python/object/apply:os.system [id]",
    "!!binary aGk=",
)
"""What stands in the place of a value."""
QUOTED = ('"\\0"', '"\\e[31m"', '"\\x9b2J"', '"\\uD800"', '"\\L\\P"', '"\\a\\b\\r"', "'\n\n'")
NODES = (
    "[]",
    "{}",
    "[[[]]]",
    "{a: {b: {c: d}}}",
    "[a, b, c]",
    "{'': ''}",
    "[null, {}]",
    "? [a]\n: b",
    "|\n  text\n",
    "&a b",
    "*a",
    "&a [*a]",
    "<<: {a: b}",
    "!!set {a, b}",
    "!x y",
)
RAW = (
    *(b"\x00", b"\x1b", b"\x07", b"\x7f", b"\x80", b"\xff", b"\xfe\xff", b"\xef\xbb\xbf"),
    *(b"\xc2\x85", b"\xe2\x80\xa8", b"\xed\xa0\x80", b"\xf4\x90\x80\x80", b"\xc2\x9b"),
    *(b"\r", b"\r\n", b"\t", b"---\n", b"...\n", b"%YAML 9.9\n", b"\n", b":", b"- ", b"#"),
    *(b"'", b'"', b"{", b"}", b"[", b"]", b"&a ", b"*a", b"|", b">", b"!", b"?", b"@", b"`"),
)

Mutation = Callable[[bytes, random.Random], bytes]


def bomb(chance: random.Random) -> bytes:
    """A file that would blow up: aliases of aliases, depth, length, number."""
    levels = chance.choice((3, 9, 30))
    lines = ["a0: &a0 [x, x, x, x, x, x, x, x, x, x]"]
    for level in range(1, levels):
        again = ", ".join([f"*a{level - 1}"] * 10)
        lines.append(f"a{level}: &a{level} [{again}]")
    deep = chance.choice((60, 400, 990, 1010, 20_000))
    return chance.choice(
        (
            "\n".join(lines),
            "[" * deep + "]" * deep,
            "{a: " * deep + "x" + "}" * deep,
            "".join(f"{' ' * k}a:\n" for k in range(min(deep, 400))),
            "- " * deep + "x",
            "? " * deep + "x",
            "a: " + "x" * chance.choice((10_000, 3_000_000)),
            "a: '" + "x\n" * chance.choice((1000, 400_000)) + "'",
            "\n".join(f"k{k}: v" for k in range(chance.choice((500, 60_000)))),
            "[" + "a," * chance.choice((500, 200_000)) + "a]",
            "a: &x [*x]",
            "a: &x {b: *x}",
            "x" * 5_000_000,
            "#" * 5_000_000,
        )
    ).encode()


def of_bytes(data: bytes, chance: random.Random) -> bytes:
    """Bytes changed, cut, doubled or put in."""
    at = chance.randrange(len(data) + 1)
    how = chance.randrange(6)
    if how == 0 and data:
        at = min(at, len(data) - 1)
        return data[:at] + bytes([data[at] ^ (1 << chance.randrange(8))]) + data[at + 1 :]
    if how == 1:
        return data[:at] + chance.choice(RAW) + data[at:]
    if how == 2:
        return data[:at]
    if how == 3:
        return data[:at] + data[at + chance.choice((1, 2, 5, 20, 100)) :]
    if how == 4:
        end = at + chance.randrange(1, 200)
        return data[:end] + data[at:]
    return (
        data[:at] + bytes(chance.randrange(256) for _ in range(chance.randrange(1, 9))) + data[at:]
    )


def of_lines(data: bytes, chance: random.Random) -> bytes:
    """Lines doubled (a key stands twice), left out, moved, or indented otherwise."""
    lines = data.split(b"\n")
    at, other = chance.randrange(len(lines)), chance.randrange(len(lines))
    how = chance.randrange(5)
    if how == 0:
        lines.insert(at, lines[at])
    elif how == 1:
        del lines[at]
    elif how == 2:
        lines[at], lines[other] = lines[other], lines[at]
    elif how == 3:
        lines.insert(other, lines[at])
    else:
        lines[at] = b" " * chance.randrange(1, 5) + lines[at]
    return b"\n".join(lines)


def of_values(data: bytes, chance: random.Random) -> bytes:
    """The value of a key, a key, or an item of a list becomes something else."""
    lines = data.decode("utf-8", "replace").split("\n")
    at = chance.randrange(len(lines))
    for line in range(at, at + len(lines)):
        text = lines[line % len(lines)]
        _key, colon, _old = text.partition(": ")
        if colon or text.lstrip().startswith("- "):
            at = line % len(lines)
            break
    text = lines[at]
    new = chance.choice(chance.choice((ODD_TEXTS, ODD_TEXTS, QUOTED, NODES)))
    quoted = "'" + new.replace("'", "''") + "'" if chance.random() < 0.5 else new
    head, colon, rest = text.partition(": ")
    if text.count(": ") > 1 and chance.random() < 0.7:  # within braces
        parts = text.split(": ")
        pick = chance.randrange(1, len(parts))
        tail = parts[pick]
        stop = min([p for p in (tail.find(","), tail.find("}")) if p >= 0], default=len(tail))
        parts[pick] = quoted + tail[stop:]
        lines[at] = ": ".join(parts)
    elif chance.random() < 0.1:
        indent = text[: len(text) - len(text.lstrip())]
        lines[at] = f"{indent}{quoted}: {rest}"
    elif colon:
        lines[at] = f"{head}: {quoted}"
    else:
        lines[at] = text.partition("- ")[0] + "- " + quoted
    return "\n".join(lines).encode("utf-8", "replace")


def of_encoding(data: bytes, chance: random.Random) -> bytes:
    """The same text in another encoding, or with marks in front."""
    text = data.decode("utf-8", "replace")
    how = chance.randrange(6)
    if how < 4:
        return text.encode(("utf-16", "utf-16-le", "utf-32", "utf-7")[how])
    if how == 4:
        return (text + " \u00e4\u00b5").encode("latin-1", "replace")
    return b"\xef\xbb\xbf" * chance.randrange(1, 3) + data


CHANGES: tuple[Mutation, ...] = (of_bytes, of_lines, of_values, of_values, of_values)


def changed(data: bytes, chance: random.Random) -> bytes:
    """A valid file with one to four changes; now and then something else altogether."""
    how = chance.random()
    if how < 0.01:
        return bomb(chance)
    if how < 0.03:
        return of_encoding(data, chance)
    for _ in range(chance.choice((1, 1, 1, 2, 3, 4))):
        data = chance.choice(CHANGES)(data, chance)
    return data
