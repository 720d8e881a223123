"""Ways to damage a file: bytes, tables, JSON documents, blocks of a picture, arrays; and tables of garbage."""

from __future__ import annotations

import contextlib
import copy
import io
import json
import random
import re
import zlib
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
ODD_ARRAYS: list[Any] = [0, 1e308, "text", [], [[]], [1, 2, 3], [True, False], ["a", "b"], [[1, 2], [3, 4]], 5 + 1j]


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


def damaged_block(rng: random.Random) -> tuple[bytes, bool]:
    """Return a sound picture with a damaged EXIF, ICC profile or chunk; lengths and checksums around it agree."""
    from photo_makers import exif_block, pillow_bytes, smooth_scene
    from PIL import ImageCms

    small = smooth_scene(48, 64)
    exif = exif_block(6).tobytes()
    icc = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    kind = rng.choice(["JPEG", "JPEG", "PNG", "TIFF", "HEIF"])
    if rng.random() < 0.6:
        exif = b"Exif\0\0" + damage_bytes(rng, exif.removeprefix(b"Exif\0\0"))
    else:
        icc = damage_bytes(rng, icc)
    if kind == "TIFF":  # Pillow would parse the EXIF itself
        return pillow_bytes(small, kind, icc_profile=icc), False
    if kind == "HEIF":
        with contextlib.suppress(ImportError):
            import pillow_heif
            from PIL import Image

            stream = io.BytesIO()
            file = pillow_heif.from_pillow(Image.fromarray(small))
            file.info["exif"] = exif
            file.save(stream, quality=90)
            return stream.getvalue(), False
        kind = "JPEG"
    if kind == "PNG" and rng.random() < 0.7:
        return damaged_chunks(rng, pillow_bytes(small, kind, exif=exif, icc_profile=icc)), False
    return pillow_bytes(small, kind, exif=exif[:60_000], icc_profile=icc), False


def damaged_chunks(rng: random.Random, data: bytes) -> bytes:
    """Damage the content of a PNG's chunks and put their lengths and checksums right again."""
    out, at = bytearray(data[:8]), 8
    while at + 12 <= len(data):
        size = int.from_bytes(data[at : at + 4], "big")
        kind, body = data[at + 4 : at + 8], data[at + 8 : at + 8 + size]
        if rng.random() < 0.3:
            body = damage_bytes(rng, body)
        for _ in range(rng.choice([1] * 9 + [0, 2])):
            out += len(body).to_bytes(4, "big") + kind + body + zlib.crc32(kind + body).to_bytes(4, "big")
        at += 12 + size
    return bytes(out)


def odd_npz(rng: random.Random) -> tuple[bytes, bool]:
    """Return an npz that is sound as a file, and whose arrays are odd: names, shapes, types, values, packed or not."""
    t, y = np.arange(3000) / 10_000, 0.1 + 0.8 * (np.arange(3000) % 2000 > 1000)
    arrays: dict[str, Any] = {"time_s": t, "signal": y}
    for _ in range(rng.randint(1, 3)):
        name = rng.choice(["time_s", "signal", "x", "time", "a" * 300, "..", "sample_rate_hz"])
        odd = arrays.get(name, y).copy() if rng.random() < 0.7 else np.array(rng.choice(ODD_ARRAYS))
        if odd.ndim and odd.size and odd.dtype == float:
            for _ in range(rng.randint(0, 3)):
                odd.flat[rng.randrange(odd.size)] = rng.choice([np.nan, np.inf, -np.inf, 1e308, -1e308, 1e-320])
        change = rng.choice(["same", "short", "flat", "reverse", "type", "constant", "huge"])
        if change == "short":
            odd = odd[: rng.randint(0, 40)] if odd.ndim else odd
        elif change == "flat":
            odd = odd.reshape(-1, 1) if rng.random() < 0.5 else odd[None]
        elif change == "reverse":
            odd = odd[::-1] if odd.ndim else odd
        elif change == "type" and odd.dtype.kind == "f" and np.all(np.isfinite(odd)):
            odd = np.clip(odd, -100, 100).astype(rng.choice(["f2", "i1", "u8", "c8", "S4", "?", ">f4", "M8[s]"]))
        elif change == "constant":
            odd = np.zeros_like(odd)
        elif change == "huge" and odd.dtype.kind == "f":
            with np.errstate(all="ignore"):
                odd = odd * 1e300
        arrays[name] = odd
    stream = io.BytesIO()
    (np.savez_compressed if rng.random() < 0.5 else np.savez)(stream, **arrays)
    return stream.getvalue(), False
