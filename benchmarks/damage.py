"""Ways to damage a file: bytes, tables, JSON documents; and tables of garbage."""

from __future__ import annotations

import copy
import json
import random
import re
from typing import Any

import numpy as np

ODD_NUMBERS = (
    "NaN nan inf -inf Infinity 1e999 -1 0 -0.0 1e308 1e-320 99999999999999999999999 1_0 0x1f ١ 5.5.5 - +".split()
)
ODD_VALUES: list[Any] = [
    *(None, True, False, "", "x", "NaN", [], {}, [[]], [None], {"value": None}, {"value": "x", "u95": []}),
    *(
        -1,
        0,
        1,
        2**31,
        -(2**63),
        10**30,
        1e308,
        -1e308,
        1e-320,
        0.5,
        "a" * 5000,
        list(range(300)),
        [1e308] * 9,
        "\u202e",
    ),
]


def damage_bytes(rng: random.Random, data: bytes) -> bytes:
    """Flip, overwrite, cut, double or shift bytes, rather near the start."""
    out = bytearray(data)
    for _ in range(rng.randint(1, 6)):
        if not out:
            break
        reach = min(len(out), 400) if rng.random() < 0.5 else len(out)
        at = rng.randrange(reach)
        kind = rng.choice(["flip", "byte", "word", "cut", "double", "end", "garbage"])
        if kind == "flip":
            out[at] ^= 1 << rng.randrange(8)
        elif kind == "byte":
            out[at] = rng.randrange(256)
        elif kind == "word":
            out[at : at + 4] = rng.choice([b"\xff" * 4, bytes(4), b"\x7f\xff\xff\xff", b"\xff\xff\xff\x7f"])
        elif kind == "cut":
            del out[at : at + rng.randint(1, 64)]
        elif kind == "double":
            out[at:at] = out[at : at + rng.randint(1, 64)]
        elif kind == "garbage":
            out[at:at] = rng.randbytes(rng.randint(1, 40))
        elif rng.random() < 0.5:
            del out[at:]
    return bytes(out)


def damage_table(rng: random.Random, data: bytes) -> bytes:
    """Spoil numbers, lines, columns, separators and quotes of a text table."""
    if rng.random() < 0.25:
        return damage_bytes(rng, data)
    lines = data.decode("utf-8", "replace").split("\n")
    for _ in range(rng.randint(1, 4)):
        at = rng.randrange(min(len(lines), 12) if rng.random() < 0.5 else len(lines))
        kind = rng.randrange(11)
        if kind < 3:
            found = list(re.finditer(r"[-+]?[\d.]+(?:e[-+]?\d+)?", lines[at]))
            if found:
                span = rng.choice(found).span()
                lines[at] = lines[at][: span[0]] + rng.choice(ODD_NUMBERS) + lines[at][span[1] :]
        elif kind == 3:
            lines[at] = lines[rng.randrange(len(lines))]
        elif kind == 4:
            del lines[at]
            lines = lines or [""]
        elif kind == 5:
            lines[at] += "," + ",".join(rng.choice(["1", "", "x", "nan"]) for _ in range(rng.choice([1, 2, 5000])))
        elif kind == 6:
            mark = rng.choice(",;\t ")
            lines = [line.replace(",", mark) for line in lines]
        elif kind == 7:
            spot = rng.randint(0, len(lines[at]))
            lines[at] = (
                lines[at][:spot]
                + rng.choice(['"', "\0", "'", "\r", "\u202e", "\ufeff", ",", "é" * 9])
                + lines[at][spot:]
            )
        elif kind == 8:
            lines[at] = "".join(chr(rng.randrange(32, 600)) for _ in range(rng.randint(0, 80)))
        elif kind == 9:
            column = rng.randrange(8)
            value = rng.choice(ODD_NUMBERS)
            for i, line in enumerate(lines[1:], 1):
                cells = line.split(",")
                if column < len(cells):
                    cells[column] = value
                    lines[i] = ",".join(cells)
        else:
            lines = lines[: rng.randrange(len(lines)) + 1]
    return "\n".join(lines).encode("utf-8", "replace")


def damage_json(rng: random.Random, data: bytes) -> bytes:
    """Spoil values, keys and nesting of a JSON document, or its text."""
    pick = rng.random()
    if pick < 0.1:
        return damage_bytes(rng, data)
    if pick < 0.14:
        text = data.decode()
        at = rng.choice([m.start() for m in re.finditer(r":", text)][:200]) + 1
        depth = rng.choice([50, 900, 100_000])
        deep = ["[" * depth + "]" * depth, '{"a":' * depth + "1" + "}" * depth]
        tokens = [
            "NaN",
            "Infinity",
            "-Infinity",
            "1e999",
            "9" * 5000,
            "9" * 400,
            '"\\ud800"',
            '1, "schema": 5, "edges": 7',
        ]
        odd = rng.choice(deep + tokens)
        return (text[:at] + odd + "," + text[at:]).encode()
    document = json.loads(data)
    for _ in range(rng.randint(1, 4)):
        holder, key = _random_place(rng, document)
        if holder is None:
            continue
        kind = rng.randrange(6)
        if kind < 3:
            holder[key] = copy.deepcopy(rng.choice(ODD_VALUES))  # or the next damage would spoil the list itself
        elif kind == 3:
            del holder[key]
        elif kind == 4 and isinstance(holder, list):
            holder[:] = rng.choice([[], holder * 2, holder[: key + 1], holder[::-1], [holder[key]] * 40])
        elif isinstance(holder[key], (int, float)) and not isinstance(holder[key], bool):
            holder[key] = rng.choice(
                [-holder[key], holder[key] * 1e6, holder[key] / 1e6, holder[key] + 0.5, str(holder[key])]
            )
        else:
            holder[key] = [holder[key]]
    return json.dumps(document, ensure_ascii=rng.random() < 0.5).encode("utf-8", "backslashreplace")


def _random_place(rng: random.Random, document: Any) -> tuple[Any, Any]:
    """Return a container and a key in it, each level with the same chance."""
    holder, key, node = None, None, document
    for _ in range(rng.randint(1, 7)):
        if isinstance(node, dict) and node:
            holder, key = node, rng.choice(list(node))
        elif isinstance(node, list) and node:
            holder, key = node, rng.randrange(len(node))
        else:
            break
        node = holder[key]
        if key == "schema" and rng.random() < 0.9:
            return None, None
    return holder, key


def garbage_table(rng: random.Random, header: str, rows: int) -> bytes:
    """Return a well-formed table of random numbers: nothing that could be measured."""
    generator = np.random.default_rng(rng.randrange(2**32))
    kind = rng.randrange(4)
    noise = [generator.normal(0, 1, rows), generator.random(rows), np.cumsum(generator.normal(0, 1, rows)),
             np.round(generator.random(rows))][kind]  # fmt: skip
    t = np.arange(rows) * 1e-4 if rng.random() < 0.8 else np.sort(generator.random(rows))
    return (header + "\n" + "".join(f"{a:.6g},{b:.6g}\n" for a, b in zip(t, noise, strict=True))).encode()
