"""Saved pictures carry their caption; what does not, or carries nonsense, is left out with a sentence.

That the text is where the standard has it is checked by reading the chunk by hand: type iTXt, keyword, nul
(Portable Network Graphics Specification, third edition, 11.3.3.4, from memory).
"""

import io
import json
import struct
import zlib

import pytest
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from logger_app.io.stills import KEYWORD, read_pictures, save_picture
from logger_app.records.stills import SavedPicture, SavedShot, SavedSide

SHOT = SavedShot(at="at the stall", flight_s=20.5, ias_kt=46.0, camera="wing", stations=(("10/20", "separated", True),))
SIDE = SavedSide(
    configuration="baseline",
    name="Plain “wing”",
    flight="day1",
    run="run-1",
    run_number=1,
    event_flight_s=20.5,
    vs_ias_kt=46.0,
    shots=(SHOT,),
)
ABOUT = SavedPicture(
    kind="still",
    point="A1",
    words="at the stall",
    sides=(SIDE,),
    why="nearest entry rates",
    who="ann",
    made_utc="2027-04-11T10:00:00Z",
)


def image(width=200, height=80):
    return Image.new("RGB", (width, height), (200, 30, 30))


def chunks(data):
    at = 8
    while at < len(data):
        (length,) = struct.unpack(">I", data[at : at + 4])
        yield data[at + 4 : at + 8], data[at + 8 : at + 8 + length]
        at += 12 + length


def test_a_picture_says_what_it_shows_and_comes_back_as_it_was(tmp_path):
    save_picture(tmp_path / "deep/a.png", image(), ABOUT)
    ((found, jpeg),), troubles = read_pictures(tmp_path / "deep", 100, 80)

    assert troubles == []
    assert found == SavedPicture(
        **{name: getattr(ABOUT, name) for name in ("kind", "point", "words", "sides", "why", "who", "made_utc")},
        file="a.png",
    )
    with Image.open(io.BytesIO(jpeg)) as small:
        assert (small.format, small.size) == ("JPEG", (100, 40))
    texts = [body for kind, body in chunks((tmp_path / "deep/a.png").read_bytes()) if kind == b"iTXt"]
    assert len(texts) == 1 and texts[0].startswith(KEYWORD.encode() + b"\0")


def test_no_folder_is_no_picture(tmp_path):
    assert read_pictures(tmp_path / "none", 100, 80) == ([], [])


def spoiled(change):
    body = json.loads(
        json.dumps(
            {
                "kind": "still",
                "point": "A1",
                "words": "w",
                "sides": [
                    {
                        "configuration": "b",
                        "name": "n",
                        "flight": "f",
                        "run": "r",
                        "run_number": 1,
                        "shots": [{"at": "x"}],
                    }
                ],
            }
        )
    )
    change(body)
    return json.dumps(body)


BAD = {
    "no text": None,
    "no json": "{",
    "a list": "[]",
    "deep": "[" * 100_000,
    "no sides": json.dumps({"kind": "still"}),
    "a number for a text": spoiled(lambda b: b.update(words=3)),
    "a text for a number": spoiled(lambda b: b["sides"][0].update(run_number="1")),
    "infinite": spoiled(lambda b: b["sides"][0].update(vs_ias_kt=float("inf"))),
    "a truth": spoiled(lambda b: b["sides"][0].update(vs_ias_kt=True)),
    "missing": spoiled(lambda b: b["sides"][0].pop("flight")),
    "a shot that is none": spoiled(lambda b: b["sides"][0].update(shots=[3])),
    "too many": spoiled(lambda b: b.update(sides=[b["sides"][0]] * 1000)),
}


@pytest.mark.parametrize("case", BAD)
def test_what_does_not_say_what_it_shows_is_left_out_with_a_sentence(tmp_path, case):
    text = PngInfo()
    if BAD[case] is not None:
        text.add_itxt(KEYWORD, BAD[case])
    image().save(tmp_path / "bad.png", pnginfo=text)
    save_picture(tmp_path / "good.png", image(), ABOUT)
    found, troubles = read_pictures(tmp_path, 100, 80)

    assert [about.file for about, _ in found] == ["good.png"]
    assert len(troubles) == 1 and "bad.png: left out of the report" in troubles[0] and "\n" not in troubles[0]


@pytest.mark.parametrize("content", [b"", b"hello", b"\x89PNG\r\n\x1a\n" + b"\0" * 40])
def test_what_is_no_picture_is_left_out(tmp_path, content):
    (tmp_path / "a.png").write_bytes(content)
    found, troubles = read_pictures(tmp_path, 100, 80)
    assert (found, len(troubles)) == ([], 1)


def test_a_picture_cut_off_is_left_out(tmp_path):
    path = save_picture(tmp_path / "a.png", Image.effect_noise((300, 300), 90).convert("RGB"), ABOUT)
    path.write_bytes(path.read_bytes()[:-20_000])
    found, troubles = read_pictures(tmp_path, 100, 80)
    assert (found, len(troubles)) == ([], 1)


def test_a_picture_that_claims_to_be_huge_is_never_unpacked(tmp_path):
    def chunk(kind, body):
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    head = struct.pack(">IIBBBBB", 40_000, 4_000, 8, 2, 0, 0, 0)
    (tmp_path / "a.png").write_bytes(
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"")) + chunk(b"IEND", b"")
    )
    found, troubles = read_pictures(tmp_path, 100, 80)
    assert found == [] and ("pixels" in troubles[0])


def test_long_texts_are_cut(tmp_path):
    save_picture(tmp_path / "a.png", image(), SavedPicture(kind="still", point="A1", words="w" * 5000, sides=()))
    ((found, _),), _ = read_pictures(tmp_path, 100, 80)
    assert len(found.words) == 1000
