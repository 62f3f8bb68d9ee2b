"""The preflight screen's work: checks and the rehearsal in a thread, so that drawing goes on."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from logger_app.errors import LoggerError
from logger_app.records.plan import Campaign
from logger_app.ui.display_io import save_display
from logger_app.ui.presenters.preflight import Do, PreflightState, briefing_rows, update
from logger_app.ui.theme import Display
from logger_app.workflows import preflight as checks
from logger_app.workflows.flight_session import EngineMaker
from logger_app.workflows.rehearsal import record


class PreflightWorkflow:
    """Holds the screen's state; `changed()` says once that there is something new to draw.

    One thread at a time works for it, started by `look` or the rehearsal; it ends by itself, at the
    latest with `close`.

    Parameters
    ----------
    flight : str or None
        The flight to be flown, for the disk's sake.
    make_session : callable
        Takes (campaign, maker of engines), gives a session; called by FLY.
    """

    def __init__(
        self,
        campaign_dir: Path,
        display: Display,
        *,
        flight: str | None = None,
        engine: str | None = None,
        model: Path | None = None,
        device: str | None = None,
        make_session: Callable,
        microphone: Callable,
        who: str = "",
    ):
        self.campaign_dir, self.flight, self.who = Path(campaign_dir), flight, who
        self.engine, self.model, self.device = engine, model, device
        self._session_of, self._microphone = make_session, microphone
        self.state = PreflightState(display=display)
        self.campaign: Campaign | None = None
        self.make_engine: EngineMaker | None = None
        self._lines: tuple = ()
        self._new = True
        self._end = threading.Event()
        self._thread: threading.Thread | None = None

    def changed(self) -> bool:
        """Whether the state is another than at the last question."""
        new, self._new = self._new, False
        return new

    def look(self) -> None:
        """Look at everything, in a thread."""
        self._start(self._look, "Checking ...")

    def do(self, do: Do) -> None:
        """A touch."""
        before = self.state
        self._put(update(before, do))
        if self.state.display != before.display:
            save_display(self.state.display)
        if do is Do.AGAIN:
            self.look()
        elif do is Do.RECORD:
            if self.state.recording:
                self._end.set()
            else:
                self._end.clear()
                self._start(self._rehearse, "", recording=True)
        elif do is Do.ACKNOWLEDGE and self.campaign:
            checks.acknowledge(self.campaign_dir, self.campaign, self.who)
            self._put(replace(self.state, acknowledged=True))
            self._check(checks.check_briefing(self.campaign_dir, self.campaign))

    def make_session(self):
        """The session to fly, or None where it is refused; the checks then say why."""
        self.close()
        try:
            return self._session_of(self.campaign, self.make_engine)
        except LoggerError as err:
            self._check(checks.Check(name="flight", state=checks.WRONG, words="cannot begin", hint=str(err)))
            self._put(update(self.state, Do.CHECKS))
            return None

    def close(self) -> None:
        """End what is going on."""
        self._end.set()
        if self._thread:
            self._thread.join()

    def _start(self, work: Callable, busy: str, recording: bool = False) -> None:
        if self._thread and self._thread.is_alive():
            return
        self._put(
            replace(
                self.state,
                busy=busy,
                recording=recording,
                answers=() if recording else self.state.answers,
                confusions=() if recording else self.state.confusions,
            )
        )
        self._thread = threading.Thread(target=self._guarded, args=(work,), name="preflight", daemon=True)
        self._thread.start()

    def _guarded(self, work: Callable) -> None:
        try:
            work()
        except (LoggerError, OSError) as err:
            self._check(checks.Check(name="preflight", state=checks.WRONG, words="stopped", hint=str(err)))
        finally:
            self._put(replace(self.state, busy="", recording=False))

    def _put(self, state: PreflightState) -> None:
        self.state, self._new = state, True

    def _check(self, check) -> None:
        others = tuple(c for c in self.state.checks if c.name != check.name)
        self._put(replace(self.state, checks=(*others, check)))

    def _look(self) -> None:
        check, self.campaign = checks.check_cards(self.campaign_dir)
        self._check(check)
        briefing = briefing_rows(checks.briefing(self.campaign))
        read = checks.acknowledged(self.campaign_dir, self.campaign) is not None
        self._put(replace(self.state, briefing=briefing, acknowledged=read))
        self._check(checks.check_briefing(self.campaign_dir, self.campaign))
        minutes = checks.planned_minutes(self.campaign, self.flight)
        self._check(checks.check_disk(self.campaign_dir, minutes))
        self._check(checks.check_battery())
        self._check(checks.check_clock(checks.newest_flight(self.campaign_dir)))
        self._check(checks.check_flights(self.campaign_dir, self.flight))
        check, self.make_engine = checks.check_hearing(self.campaign, self.engine, self.model)
        self._check(check)
        if self.make_engine:
            self._lines = checks.rehearsal_script(self.make_engine.pack, self.campaign)
            self._put(replace(self.state, lines=tuple(line.say for line in self._lines)))
        self._check(checks.check_second_recogniser())
        self._check(checks.check_rehearsal(None, unit=self._unit()))
        self._check(checks.check_microphone(self.device))

    def _unit(self) -> str:
        return self.campaign.indicator.unit if self.campaign else "kt"

    def _rehearse(self) -> None:
        microphone = self._microphone()
        pcm = record(
            microphone,
            self._end.is_set,
            lambda level_dbfs: self._put(replace(self.state, level_words=f"{level_dbfs:.0f} dB")),
        )
        if not len(pcm):
            self._check(checks.no_microphone(microphone.trouble))
            return
        if self.make_engine is None:
            return
        self._put(replace(self.state, recording=False, busy="Hearing it ..."))
        self._check(checks.judge_level(pcm))
        result = checks.rehearse(self._lines, pcm, self.make_engine())
        if self.campaign:
            checks.keep_voice(self.campaign_dir, self.who, result)
        confusions = checks.confusions_in_words(result, self.make_engine.pack)
        self._put(replace(self.state, answers=result.answers, confusions=confusions))
        self._check(checks.check_rehearsal(result, self.make_engine.pack, self._unit()))
