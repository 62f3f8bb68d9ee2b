"""From the microphone's blocks to the flight clock, without a device."""

import math
import threading

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger_app.fly.capture.audio_writer import HearingQueue, samples_to_ns
from logger_app.fly.capture.listener import StreamClock
from logger_app.fly.capture.mic import BLOCK_SAMPLES, RATE_HZ, BlockQueue, SampleClock, level_dbfs
from logger_app.fly.notes import LONGEST_NOTE_NS, PATIENCE_NS, QuietWatch, note_over_ns
from logger_app.records.calls import CallKind, HeardCall
from logger_app.units import NS_PER_S, s_to_ns

BLOCK_S = BLOCK_SAMPLES / RATE_HZ


def test_blocks_in_step_miss_nothing_whatever_their_times_jitter():
    clock, chance = SampleClock(), np.random.default_rng(1)
    missing = [clock.missing(100 + k * BLOCK_S + chance.normal(0, 0.003), BLOCK_SAMPLES, False) for k in range(200)]

    assert missing == [0] * 200


@pytest.mark.parametrize("overflow, hole_s, expected", [(True, 0.1, 1600), (False, 0.1, 0), (False, 0.5, 8000)])
def test_a_hole_is_as_long_as_the_adc_times_say(overflow, hole_s, expected):
    clock = SampleClock()
    clock.missing(10.0, BLOCK_SAMPLES, False)

    assert clock.missing(10.0 + BLOCK_S + hole_s, BLOCK_SAMPLES, overflow) == expected
    assert clock.missing(10.0 + 2 * BLOCK_S + hole_s, BLOCK_SAMPLES, False) == 0


def test_a_driver_without_adc_times_says_nothing():
    clock = SampleClock()

    assert [clock.missing(0.0, BLOCK_SAMPLES, True) for _ in range(3)] == [0, 0, 0]


def test_what_does_not_fit_the_queue_is_told_with_the_next_block():
    queue = BlockQueue(limit_s=2 * BLOCK_S)
    for k in range(5):
        queue.put(np.full(BLOCK_SAMPLES, k, np.int16))
    first, second = queue.get(0), queue.get(0)
    queue.put(np.full(BLOCK_SAMPLES, 9, np.int16))
    third = queue.get(0)

    assert [int(block.pcm[0]) for block in (first, second, third)] == [0, 1, 9]
    assert [block.missing for block in (first, second, third)] == [0, 0, 3 * BLOCK_SAMPLES]
    assert third.why


def test_a_waiting_put_drops_nothing():
    queue = BlockQueue(limit_s=BLOCK_S)
    taken = []
    taker = threading.Thread(target=lambda: [taken.append(queue.get(5)) for _ in range(50)])
    taker.start()
    for k in range(50):
        queue.put_waiting(np.full(BLOCK_SAMPLES, k, np.int16), threading.Event())
    taker.join()

    assert [int(block.pcm[0]) for block in taken] == list(range(50))


@given(st.lists(st.one_of(st.just("put"), st.just("get")), max_size=60))
def test_no_sample_is_unaccounted_for(acts):
    queue = BlockQueue(limit_s=3 * BLOCK_S)
    given_n = seen = 0
    for act in acts:
        if act == "put":
            queue.put(np.zeros(BLOCK_SAMPLES, np.int16))
            given_n += BLOCK_SAMPLES
        elif (block := queue.get(0)) is not None:
            seen += block.missing + len(block.pcm)
    while (block := queue.get(0)) is not None:
        seen += block.missing + len(block.pcm)

    assert seen + queue._dropped == given_n


def test_a_full_hearing_queue_says_no():
    queue = HearingQueue(limit_s=2 * BLOCK_S)
    pcm = np.zeros(BLOCK_SAMPLES, np.int16)

    assert [queue.put(k, pcm) for k in range(3)] == [True, True, False]


def test_stream_time_is_flight_time_while_nothing_is_missing():
    clock = StreamClock()
    clock.fed(16_000, 800)
    clock.fed(16_800, 800)

    assert clock.to_flight_ns(s_to_ns(0.07)) == s_to_ns(1.07)


def test_after_a_hole_stream_time_counts_from_the_new_piece():
    clock = StreamClock()
    clock.fed(0, 16_000)
    assert clock.joins(16_000) and not clock.joins(80_000)
    clock.seam(9_600)
    clock.fed(80_000, 16_000)

    assert clock.to_flight_ns(s_to_ns(0.5)) == s_to_ns(0.5)
    assert clock.to_flight_ns(s_to_ns(1.6 + 0.25)) == s_to_ns(5.25)


@given(st.lists(st.tuples(st.integers(1, 4000), st.integers(0, 50_000)), min_size=1, max_size=12), st.data())
def test_every_fed_sample_goes_to_its_own_place(pieces, data):
    clock, stream, flight, places = StreamClock(), 0, 0, []
    for length, hole in pieces:
        flight += hole
        if not clock.joins(flight):
            clock.seam(9_600)
            stream += 9_600
        clock.fed(flight, length)
        places.append((stream, flight, length))
        stream, flight = stream + length, flight + length
    stream0, flight0, length = data.draw(st.sampled_from(places))
    k = data.draw(st.integers(0, length - 1))

    assert abs(clock.to_flight_ns(samples_to_ns(stream0 + k)) - samples_to_ns(flight0 + k)) <= NS_PER_S // RATE_HZ


def test_a_calls_words_move_with_it():
    clock = StreamClock()
    clock.fed(160_000, 16_000)
    moved = clock.on_flight(
        HeardCall(
            id="x",
            start_ns=s_to_ns(0.2),
            end_ns=s_to_ns(0.6),
            kind=CallKind.AIRSPEED,
            name="ias",
            word_times=(("fifty", s_to_ns(0.2), s_to_ns(0.4)), ("one", s_to_ns(0.4), s_to_ns(0.6))),
        )
    )

    assert (moved.start_ns, moved.end_ns) == (s_to_ns(10.2), s_to_ns(10.6))
    assert moved.word_times[1] == ("one", s_to_ns(10.4), s_to_ns(10.6))


def test_level_is_over_full_scale():
    # A sine at full scale is 3.01 dB under it (1/sqrt(2)).
    sine = (32767 * np.sin(np.arange(16_000) * 2 * np.pi * 440 / 16_000)).astype(np.int16)

    assert level_dbfs(sine) == pytest.approx(-20 * math.log10(math.sqrt(2)), abs=0.01)
    assert type(level_dbfs(sine)) is float
    assert level_dbfs(np.zeros(0, np.int16)) == level_dbfs(np.zeros(10, np.int16)) == -96.0


def test_a_note_ends_after_the_voice_in_steady_noise():
    watch = QuietWatch()
    for k in range(200):
        speaking = 60 <= k < 100
        watch.block(s_to_ns(0.05 * (k + 1)), -40.0 + (12 if speaking else 0) + (k % 3))

    assert watch.last_speech_ns == s_to_ns(5.0)
    assert note_over_ns(s_to_ns(2.5), s_to_ns(6.0), watch.last_speech_ns) is None
    assert note_over_ns(s_to_ns(2.5), s_to_ns(7.0), watch.last_speech_ns) == s_to_ns(5.0)


def test_a_note_that_nobody_speaks_ends_by_itself():
    assert note_over_ns(0, PATIENCE_NS - 1, None) is None
    assert note_over_ns(0, PATIENCE_NS + 1, None) == PATIENCE_NS + 1
    assert note_over_ns(0, LONGEST_NOTE_NS + 1, LONGEST_NOTE_NS) == LONGEST_NOTE_NS + 1
