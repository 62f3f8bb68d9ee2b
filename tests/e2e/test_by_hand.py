"""A newcomer's whole path in the real program and a real window: by pointer alone, and again by keyboard alone.

Plan a campaign, hear two recordings, review, sync a camera, write and open the report. Nothing is called: xdotool moves
the pointer and presses keys, and `shown_app.py` says where the words are.
"""

import json
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from tests.made_campaign import demo_sound

pytestmark = [pytest.mark.window, pytest.mark.slow]
ROOT = Path(__file__).resolve().parents[2]
SECONDS = 46.0  # one run of each flight
CAMERA_STARTS_S = 4.0
LIMIT_S = 120.0


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """Two cockpit recordings, and a film of the first flight that began some seconds later; in a folder of their own."""
    import av

    from logger_app.io.sound import read_sound_file, write_flac

    folder = tmp_path_factory.mktemp("files")
    for name in ("day1_baseline", "day2_cuffs"):
        pcm = demo_sound(name, SECONDS)
        write_flac(folder / f"{name}.flac", pcm)
    pcm = read_sound_file(folder / "day1_baseline.flac")[round(CAMERA_STARTS_S * 16_000) :]
    with av.open(str(folder / "wing.mp4"), "w") as out:
        video, sound = out.add_stream("mpeg4", rate=5), out.add_stream("aac", rate=16_000)
        video.width, video.height, video.pix_fmt = 160, 96, "yuv420p"
        for k in range(round(5 * len(pcm) / 16_000)):
            grey = np.full((96, 160, 3), k % 200 + 20, np.uint8)
            out.mux(video.encode(av.VideoFrame.from_ndarray(grey, format="rgb24")))
        out.mux(video.encode())
        for first in range(0, len(pcm) - 1024, 1024):
            frame = av.AudioFrame.from_ndarray(pcm[None, first : first + 1024], format="s16", layout="mono")
            frame.sample_rate, frame.pts = 16_000, first
            out.mux(sound.encode(frame))
        out.mux(sound.encode())
    return folder


def matches(word, words, kind):
    same = word["words"] == words if kind == "KeyTarget" else word["words"].startswith(words)
    return same and (kind is None or word["kind"] == kind)


class Hand:
    """The real program on a display of its own, a pointer, keys, and the words on the screen."""

    def __init__(self, tmp_path, files, size="1280x800"):
        self.out, self.opened = tmp_path / "shown.json", tmp_path / "opened.txt"
        self.home = tmp_path / "user"
        self.home.mkdir()
        shutil.copytree(files, self.home / "films")
        browser = tmp_path / "browser"
        browser.write_text(f'#!/bin/sh\necho "$1" >> "{self.opened}"\n')
        browser.chmod(0o755)
        read, write = os.pipe()
        self.server = subprocess.Popen(
            [
                "Xvfb",
                f":{1000 + os.getpid() % 5000}",
                "-displayfd",
                str(write),
                "-noreset",
                "-screen",
                "0",
                f"{size}x24",
            ],
            pass_fds=[write],
            stderr=subprocess.DEVNULL,
        )
        os.close(write)
        with os.fdopen(read) as answer:  # to the end of its line: the server ends when nobody reads it
            self.display = f":{answer.readline().strip()}"
        self.env = {name: value for name, value in os.environ.items() if not name.startswith("KIVY_")} | {
            "DISPLAY": self.display,
            "HOME": str(self.home),
            "KNEECALL_HOME": str(tmp_path / "kneecall"),
            "KNEECALL_WHO": "ann",
            "BROWSER": f"{browser} %s",
            "PYTHONPATH": str(ROOT),
            "OPENBLAS_NUM_THREADS": "1",
        }
        self.env.pop("SDL_VIDEODRIVER", None)
        self.program = subprocess.Popen(
            [sys.executable, str(Path(__file__).with_name("shown_app.py")), str(self.out)], env=self.env, cwd=tmp_path
        )

    def close(self):
        for process in (self.program, self.server):
            process.terminate()
            process.wait(timeout=60)

    def shown(self):
        """(how many times it was written, the words on the screen)."""
        try:
            return tuple(json.loads(self.out.read_text("utf-8")))
        except (OSError, ValueError):
            return 0, []

    def words(self):
        return self.shown()[1]

    def drawn(self, times=2, limit_s=LIMIT_S):
        """Until what is on the screen was written so many times more: what was done has been drawn by then."""
        first, end = self.shown()[0], time.monotonic() + limit_s
        while self.shown()[0] < first + times:
            assert self.program.poll() is None, "the program has ended"
            assert time.monotonic() < end, "nothing is drawn any more"
            time.sleep(0.01)

    def find(self, words, kind=None, limit_s=LIMIT_S):
        """Where the words are, once they are there and have not moved since the look before."""
        end, before = time.monotonic() + limit_s, None
        while time.monotonic() < end:
            found = [w for w in self.words() if matches(w, words, kind)]
            if found and before == (found[-1]["x"], found[-1]["y"]):
                return found[-1]
            before = (found[-1]["x"], found[-1]["y"]) if found else None
            self.drawn()
        shown = sorted({w["words"] for w in self.words()})
        raise AssertionError(f"never on the screen: {words!r}; there are {shown}")

    def gone(self, words, limit_s=LIMIT_S):
        end = time.monotonic() + limit_s
        while any(w["words"].startswith(words) for w in self.words()):
            assert time.monotonic() < end, f"still on the screen: {words!r}"
            self.drawn(1)

    def xdo(self, *words):
        subprocess.run(["xdotool", *map(str, words)], env=self.env, check=True, capture_output=True)
        self.drawn()

    def shot(self, path):
        from PIL import ImageGrab

        ImageGrab.grab(xdisplay=self.display).save(path)


@pytest.fixture
def hand(tmp_path, files):
    made = Hand(tmp_path, files)
    made.find("New campaign")
    made.drawn(5)  # nobody clicks before they have seen where
    yield made
    made.close()


class Pointer:
    """Clicks only."""

    def __init__(self, hand):
        self.hand = hand

    def press(self, words, kind=None):
        place = self.hand.find(words, kind)
        self.hand.xdo("mousemove", round(place["x"]), round(place["y"]), "click", 1)

    def fill(self, label, text):
        """A click into the box beside the label, then the keys on the screen."""
        place = self.hand.find(label)
        while place["y"] > 400:  # under the keys, once they are there
            self.hand.xdo("mousemove", 600, 300, "click", 5)
            place = self.hand.find(label)
        self.hand.xdo("mousemove", round(place["x"] + 0.5 * place["w"] + 60), round(place["y"]), "click", 1)
        self.hand.find("NEXT", "KeyTarget")
        for character in text:
            self.press({" ": "space"}.get(character, character), "KeyTarget")
        self.press("HIDE", "KeyTarget")
        self.hand.find("Create")

    def back(self):
        self.press("Back")

    def confirm(self):
        self.press("Correct\nEnter")


class Keys:
    """The keyboard only: Tab until the words have the focus, then Enter."""

    def __init__(self, hand):
        self.hand = hand

    def focused(self):
        return next((w["words"] for w in self.hand.words() if w["focus"]), None)

    def press(self, words, kind=None):
        self.hand.find(words, kind)
        for _ in range(80):
            if (self.focused() or "").startswith(words):
                self.hand.xdo("key", "Return")
                return
            self.hand.xdo("key", "Tab")
        raise AssertionError(f"Tab never came to {words!r}; the focus is on {self.focused()!r}")

    def fill(self, label, text):
        """Tab to the box of the label: the boxes come in the order of their labels."""
        for _ in range(90):
            here = next((w for w in self.hand.words() if w["focus"] and w["kind"] == "HomeInput"), None)
            empty = self.box_of(label)
            if here is None or empty is None or abs(here["y"] - empty["y"]) > 5:
                self.hand.xdo("key", "Tab")
                continue
            self.hand.xdo("key", "ctrl+a", "type", "--delay", "40", text)
            self.hand.xdo("key", "Tab")
            return
        raise AssertionError(f"Tab never came to the box of {label!r}")

    def box_of(self, label):
        return next((w for w in self.hand.words() if w["words"].startswith(label)), None)

    def back(self):
        self.hand.xdo("key", "alt+Left")

    def confirm(self):
        self.hand.xdo("key", "Return")


def whole_path(hand, by, pictures):
    """Plan, hear two recordings, review, sync a camera, report."""
    by.press("New campaign")
    for label, text in (
        ("The aircraft", "heron"),
        ("What will be changed", "cuffs"),
        ("Empty weight", "388"),
        ("Maximum weight", "640"),
        ("Wing area", "12.4"),
    ):
        by.fill(label, text)
    hand.shot(pictures / "hand_new.png")
    by.press("Create the campaign")
    by.press("Plan")
    hand.find("Saved")
    hand.shot(pictures / "hand_plan.png")
    by.back()
    for file in ("day1_baseline.flac", "day2_cuffs.flac"):
        by.press("Hear a recording")
        by.press("Add files")
        if file.startswith("day1"):
            by.press("films/")
        by.press(file)
        by.press("Use 1 file")
        by.press("Hear it")
        hand.find("Done.", limit_s=300)
        by.press("Close")
    hand.shot(pictures / "hand_campaign.png")
    by.press("Review")
    by.press("01_baseline")
    hand.find("To look at")
    hand.shot(pictures / "hand_review.png")
    for _ in range(2):
        by.confirm()
    by.back()
    by.press("Sync a camera")
    by.press("01_baseline")
    by.press("Add files")
    by.press("wing.mp4")
    by.press("Use 1 file")
    by.press("Sync", "HomeTile")
    hand.find("Done.", limit_s=300)
    by.press("Close")
    by.press("Write the report")
    hand.find("Done.", limit_s=300)
    by.press("Read the report")
    end = time.monotonic() + LIMIT_S
    while not hand.opened.exists():
        assert time.monotonic() < end, "no browser was opened"
        time.sleep(0.2)
    hand.shot(pictures / "hand_end.png")


def check(hand):
    """What was done is on the disk, as the verbs would have done it."""
    from logger_app.workflows.overview import overview

    folder = hand.home / "kneecall" / "heron"
    now = overview(folder)
    assert [(flight.id, flight.cameras) for flight in now.flights] == [("01_baseline", 1), ("02_cuffs", 0)]
    assert all(flight.calls > 10 for flight in now.flights)
    assert now.reported == "current"
    assert hand.opened.read_text().strip().endswith("results/report/index.html")
    from logger_app.workflows.review import ReviewWorkflow

    workflow = ReviewWorkflow(folder / "flights" / "01_baseline", "check").load()
    assert {correction.who for correction in workflow.corrections} == {"ann"}
    clock = workflow.clock_maps[-1]
    assert clock.offset_s == pytest.approx(CAMERA_STARTS_S, abs=0.1)


def test_the_whole_path_by_pointer_alone(hand, shots):
    whole_path(hand, Pointer(hand), shots)
    check(hand)


def test_the_whole_path_by_keyboard_alone(hand, shots):
    whole_path(hand, Keys(hand), shots)
    check(hand)
