"""`kneecall preflight`: microphone, hearing, disk, battery, clock, cards and cautions before the flight."""

from __future__ import annotations

from dataclasses import replace

from logger_app.cli.common import add_cockpit_options, print_json, say

SUMMARY = """Check microphone, hearing, disk, battery, clock and cards before the flight; rehearse the calls;
set the screen's size; read the cautions. It cannot say that a flight is safe."""
EXAMPLE = """kneecall preflight sparrow
         kneecall preflight sparrow --no-screen --acknowledge "J. Doe"
         kneecall preflight sparrow --audio rehearsal.wav --json"""
SECONDS_A_LINE = 2.5


def add_arguments(parser) -> None:
    """Options of the verb."""
    add_cockpit_options(
        parser,
        flight="the flight to be flown (default: the next one planned)",
        no_screen="print instead",
        audio="a recorded rehearsal in place of the microphone",
    )
    parser.add_argument("--rehearse", action="store_true", help="without a screen: record the rehearsal now")
    parser.add_argument("--without-microphone", action="store_true", help="FLY begins although no sound comes from it")
    parser.add_argument("--dpi", type=float, metavar="N", help="dots per inch of the tablet's screen, kept")
    parser.add_argument("--viewing-mm", type=float, metavar="N", help="distance of the eye from it, kept")
    parser.add_argument("--palette", choices=["day", "night"], help="colours, kept")
    parser.add_argument("--acknowledge", metavar="NAME", help="NAME has read cautions, criteria and floor")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output (no screen)")


def run(args) -> int:
    """Preflight; see the module's docstring."""
    display = _display(args)
    if args.no_screen or args.json:
        return _print(args, display)
    from logger_app.ui.screen_check import need_screen

    need_screen("preflight", "Or print it with --no-screen.")
    from logger_app.ui.app import preflight_on_screen

    return preflight_on_screen(desk_of(args, display))


def _display(args):
    """The kept display with what was given; kept if something was."""
    from logger_app.errors import CardError, Fault
    from logger_app.ui.display_io import load_display, save_display

    kept = load_display()
    given = {"dpi": args.dpi, "viewing_mm": args.viewing_mm, "palette_name": args.palette}
    given = {key: value for key, value in given.items() if value is not None}
    if not given:
        return kept
    try:
        display = replace(kept, **given)
    except ValueError as err:
        raise CardError(faults=(Fault(where="the screen", got=str(err), expected="a real display"),)) from err
    save_display(display)
    return display


def desk_of(args, display):
    """The work behind the preflight screen, as the options ask."""
    from logger_app.cli.fly import wishes_of
    from logger_app.ui.preflight_work import PreflightWorkflow
    from logger_app.workflows.rehearsal import microphone_of
    from logger_app.workflows.takeoff import build_session

    def session(campaign, make):
        return build_session(campaign, args.campaign, replace(wishes_of(args), audio=None), say=say, make=make)

    return PreflightWorkflow(
        args.campaign,
        display,
        flight=args.flight,
        engine=args.engine,
        model=args.model,
        device=args.device,
        make_session=session,
        microphone=lambda: microphone_of(args.device, args.audio),
        who=args.pilot,
    )


def _print(args, display) -> int:
    from logger_app.workflows import preflight as workflow

    cards, campaign = workflow.check_cards(args.campaign)
    if args.acknowledge and campaign:
        workflow.acknowledge(args.campaign, campaign, args.acknowledge)
    hearing, make = workflow.check_hearing(campaign, args.engine, args.model)
    lines = workflow.rehearsal_script(make.pack, campaign) if make else ()
    microphone, rehearsal = _sound(args, workflow, lines, make, campaign.indicator.unit if campaign else "kt")
    checks = [
        cards,
        microphone,
        hearing,
        rehearsal,
        workflow.check_second_recogniser(),
        workflow.check_disk(args.campaign, workflow.planned_minutes(campaign, args.flight)),
        workflow.check_battery(),
        workflow.check_clock(workflow.newest_flight(args.campaign) if campaign else None),
        workflow.check_flights(args.campaign, args.flight),
        workflow.check_briefing(args.campaign, campaign),
    ]
    ready = not any(check.state == workflow.WRONG for check in checks)
    if args.json:
        print_json(
            {
                "ready": ready,
                "checks": [check.as_json() for check in checks],
                "rehearsal": [line.say for line in lines],
                "briefing": workflow.briefing(campaign),
                "display": {"dpi": display.dpi, "viewing_mm": display.viewing_mm, "palette": display.palette_name},
            }
        )
    else:
        _words(checks, workflow.briefing(campaign))
    return 0 if ready else 1


def _sound(args, workflow, lines, make, unit: str):
    """(microphone, rehearsal) from a recording, from the microphone now, or a look at the microphone alone."""
    if args.audio:
        from logger_app.io.sound import read_sound_file

        pcm = read_sound_file(args.audio)
    elif args.rehearse and lines:
        pcm = _record(args, lines)
    else:
        return workflow.check_microphone(args.device), workflow.check_rehearsal(None, unit=unit)
    if not len(pcm):
        return workflow.check_microphone(args.device), workflow.check_rehearsal(None, unit=unit)
    if make is None:
        return workflow.judge_level(pcm), workflow.check_rehearsal(None, unit=unit)
    score = workflow.rehearse(lines, pcm, make())
    if make.campaign:
        workflow.keep_voice(args.campaign, args.pilot, score)
    return workflow.judge_level(pcm), workflow.check_rehearsal(score, make.pack, unit)


def _record(args, lines):
    """Ask for the lines one after the other and record them all."""
    import time

    from logger_app.workflows.rehearsal import microphone_of, record

    say("Say, when it is shown:")
    waiting, next_s = list(lines), time.monotonic()

    def enough() -> bool:
        nonlocal next_s
        if time.monotonic() < next_s:
            return False
        if not waiting:
            return True
        say(f"    {waiting.pop(0).say}")
        next_s = time.monotonic() + SECONDS_A_LINE
        return False

    return record(microphone_of(args.device), enough)


def _words(checks, briefing) -> None:
    signs = {"ok": "ok   ", "warn": "check", "wrong": "WRONG", "unknown": "-    "}
    for check in checks:
        print(f"{signs[check.state]}  {check.name:17}  {check.words}")
        if check.hint and check.state != "ok":
            print(f"       {'':17}  {check.hint}")
    print("\nCautions")
    for caution in briefing["cautions"]:
        print(f"  ! {caution}")
    print("Knock it off when")
    for criterion in briefing["knock_it_off"] or ["(none set in the campaign: [team] knock_it_off)"]:
        print(f"  x {criterion}")
    for name, key in (("Floor", "floor_ft"), ("Minimum entry altitude", "entry_min_ft")):
        height = briefing[key]
        print(f"{name}: {f'{height:g} ft' if height is not None else f'none set in the campaign: [team] {key}'}")
