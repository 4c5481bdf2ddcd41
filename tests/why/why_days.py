"""Simulated days with all their faults that leave a log and a recording in a folder, and what a replay says of a line.

The replay is a plain one, event by event through the rules: it shares nothing with the one that `why` uses.
"""

from collections.abc import Container, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

from sim_draw import draw
from sim_script import script
from sim_world import World

from gatehand.config import Config, Loaded, load_text
from gatehand.journal.line import LogLine, decode
from gatehand.recording.recorder import Recorder
from gatehand.recording.recording import Recording, recordings
from gatehand.times import from_ms, stamp_ms
from gatehand.why.ask import Explanation, ask
from gatehand.why.moment import Asked, SubjectKind
from gatehand_rules import Finding, Happened, Shop, State, adopt_shop, step
from gatehand_rules import events as ev

MISSED = frozenset({Happened.START_REFUSED, Happened.START_MISSED})
"""What the days are asked about."""
NEAR_MS = 250
Key = tuple[str, ...]


class _Recorder(Recorder):
    """Hands over once a second what it has gathered, as its thread does."""

    handed_ms = 0

    def record(self, now_ms: int, event: ev.Event, before: State) -> None:
        """As the recorder does."""
        super().record(now_ms, event, before)
        if now_ms - self.handed_ms >= 1000:
            self.handed_ms = now_ms
            self.flush()


def recorded_day(seed: str, folder: Path, until: float) -> Loaded:
    """Play a day of the simulation for so many seconds; its log and recordings stand in the folder."""
    drawn = draw(Random(f"{seed}/config"))
    begun: list[_Recorder] = []

    def recorder(world: World, run: str) -> Recorder:
        begun.append(_Recorder(folder, run=run, clock=world.clocks, disk=world.disk, threaded=False))
        return begun[-1]

    world = World(seed, drawn, recorder)
    for each in script(drawn.config, Random(f"{seed}/script")):
        world.scheduler.at(world.day + each.at, lambda each=each: world.happen(each))  # type: ignore[misc]
    world.step_to(world.day + until, stop_at_breach=False)
    begun[-1].flush()
    folder.mkdir(parents=True, exist_ok=True)
    for path, data in world.disk.files.items():
        (folder / path.name).write_bytes(bytes(data))
    return drawn.loaded


def log_lines(folder: Path) -> list[LogLine]:
    """All whole lines of the log, in their order."""
    raw = [line for path in sorted(folder.glob("events-*.jsonl")) for line in path.read_bytes().splitlines()]
    return [decode(line) for line in raw if line.endswith(b"}") and line.startswith(b'{"ts"')]


def key_of(line: LogLine | Finding) -> Key:
    """What makes two lines say the same: event, rule, subject."""
    names = ("event", "rule", "tool", "gate", "collector")
    if isinstance(line, Finding):
        return tuple(str(getattr(line, name)) for name in names)
    return tuple(str(line.get(name)) for name in names)


def mono_ms(line: LogLine) -> int:
    """Its time by the run's own clock."""
    mono = line["mono"]
    assert isinstance(mono, int | float)
    return round(mono * 1000)


@dataclass(slots=True)
class PlainReplay:
    """Every event of one run as recorded, each given to the rules by itself."""

    folder: Path
    shop_of: dict[str, Shop]
    """Of each config's text."""
    files: dict[str, list[Recording]] = field(default_factory=dict)
    told: dict[Path, list[tuple[int, ev.Event]]] = field(default_factory=dict)

    def events(self, recording: Recording) -> list[tuple[int, ev.Event]]:
        """All events of a file."""
        if recording.path not in self.told:
            self.told[recording.path] = list(recording.events())
        return self.told[recording.path]

    def of_run(self, run: str) -> list[Recording]:
        """The files of a run."""
        if not self.files:
            for one in recordings(self.folder):
                if not one.trouble:
                    recording = Recording(one.path)
                    self.files.setdefault(recording.header.run, []).append(recording)
        return self.files.get(run, [])

    def brought_about(self, line: LogLine) -> list[tuple[int, ev.Event]]:
        """What came in at the very moment of a line, of the device that it names, else of any."""
        at = mono_ms(line)
        there: list[tuple[int, ev.Event]] = [
            (ms, event)
            for recording in self.of_run(str(line["run"]))
            for ms, event in self.events(recording)
            if ms == at and not isinstance(event, ev.Tick)
        ]
        named = [one for one in there if _name(one[1]) in line.values()]
        return named or there

    def says(self, line: LogLine, gone: Sequence[tuple[int, ev.Event]] = ()) -> bool:
        """Whether the line comes, at about its time, when this had never been said, nor again until something else."""
        at = mono_ms(line)
        return any(
            abs(ms - at) <= NEAR_MS and key_of(one) == key_of(line)
            for ms, one in self._play(str(line["run"]), at, gone)
        )

    def _play(self, run: str, until: int, gone: Sequence[tuple[int, ev.Event]]) -> Iterator[tuple[int, Finding]]:
        files = [one for one in self.of_run(run) if one.header.mono_ms <= until]
        first = min((ms for ms, _ in gone), default=until)
        while len(files) > 1 and files[1].header.mono_ms <= first:
            del files[0]
        over: set[int] = set()
        state: State | None = None
        shop: Shop | None = None
        for recording in files:
            there = self.shop_of[recording.header.config]
            if state is None or shop is None:
                state = recording.header.state
            elif there != shop:
                state = adopt_shop(shop, there, state, recording.header.mono_ms / 1000).state
            shop = there
            for ms, event in self.events(recording):
                if ms > until + NEAR_MS:
                    return
                if _is_left_out(shop, ms, event, gone, over):
                    continue
                outcome = step(shop, state, event, ms / 1000)
                state = outcome.state
                yield from ((ms, one) for one in outcome.findings)


def _is_left_out(shop: Shop, ms: int, event: ev.Event, gone: Sequence[tuple[int, ev.Event]], over: set[int]) -> bool:
    for number, (since, one) in enumerate(gone):
        if ms < since or number in over or type(event) is not type(one):
            continue
        if ms == since and event == one:
            return True
        if _name(event) == _name(one) and not _is_press(one):
            if _word(shop, event) == _word(shop, one):
                return True
            over.add(number)
    return False


def _is_press(event: ev.Event) -> bool:
    return not isinstance(
        event,
        ev.Reading
        | ev.CollectorReading
        | ev.GateReport
        | ev.StopReport
        | ev.CollectorReport
        | ev.BinReport
        | ev.DeviceOnline,
    )


def _name(event: ev.Event) -> str:
    for key in ("tool", "gate", "collector", "stop", "name"):
        if hasattr(event, key):
            return str(getattr(event, key))
    return ""


def _word(shop: Shop, event: ev.Event) -> object:
    """What it says of how things are."""
    match event:
        case ev.Reading(tool=name, value=value):
            return value >= next(tool.stop_at for tool in shop.tools if tool.name == name)
        case ev.CollectorReading(collector=name, value=value):
            return value >= next(fan.turns_at for fan in shop.collectors if fan.name == name)
        case ev.GateReport(position=position, says=says):
            return position, says
        case ev.StopReport(active=active):
            return active
        case ev.CollectorReport(on=on):
            return on
        case ev.BinReport(full=full):
            return full
        case ev.DeviceOnline(kind=kind, online=online):
            return kind, online
        case _:
            return event


def subject_of(line: LogLine, config: Config) -> tuple[SubjectKind, str] | None:
    """Who is asked about a line: the tool, gate or collector that it names first, if the config (still) has it."""
    tables: tuple[tuple[SubjectKind, Container[str]], ...] = (
        ("tool", config.tool),
        ("gate", config.gate),
        ("collector", config.collector),
    )
    kind, table = next((kind, table) for kind, table in tables if line.get(kind) is not None)
    return (kind, str(line[kind])) if line[kind] in table else None


def shops_of(folder: Path) -> dict[str, Shop]:
    """The shop of each config that was in force in what is recorded."""
    texts = {Recording(one.path).header.config for one in recordings(folder) if not one.trouble}
    loaded = {text: load_text(text, Path("shop/config.toml"), files=False).shop for text in texts}
    return {text: shop for text, shop in loaded.items() if shop is not None}


@dataclass(slots=True)
class Tally:
    """What the days came to."""

    asked: int = 0
    unproven: int = 0
    lines: list[int] = field(default_factory=list)
    """How many lines each answer shows."""
    needed: int = 0
    wrong: list[str] = field(default_factory=list)

    def ask_all(self, seed: str, folder: Path, seconds: float) -> None:
        """Play a day, then ask about every refusal and every missed start of it, each at its second."""
        loaded = recorded_day(seed, folder, seconds)
        assert loaded.config is not None
        assert loaded.shop is not None
        plain = PlainReplay(folder, shops_of(folder))
        for line in log_lines(folder):
            subject = subject_of(line, loaded.config) if line["event"] in MISSED else None
            if subject is None:
                continue
            ms = stamp_ms(str(line["ts"]))
            asked = Asked(from_ms(ms - ms % 1000), 1000)
            answer = ask(loaded.config, loaded.shop, folder, subject, asked)
            assert answer is not None
            self.judge(f"{seed}, {line['ts']} {line['event']} {line.get('rule')}", answer, line, plain)

    def judge(self, what: str, answer: Explanation, line: LogLine, plain: PlainReplay) -> None:
        """One answer: about this line, each line needed, said first where it is about another moment."""
        self.asked += 1
        self.lines.append(len(answer.shown))
        own = answer.verdict.own
        ms, at = stamp_ms(str(line["ts"])), answer.context.at_ms
        if own is None or abs(own.ms - ms) >= 1000:
            self.wrong.append(f"{what}: answered with another line: {answer.verdict.sentence}")
            return
        if answer.causes.unproven:
            self.unproven += 1
            if plain.says(own.line):
                self.wrong.append(f"{what}: it can be replayed and was not")
            return
        if not plain.says(own.line):
            self.wrong.append(f"{what}: a replay does not come to it")
        begin = ms if answer.verdict.span is None else answer.verdict.span[0]
        if abs(begin - at) > 60_000 and not answer.lead:
            self.wrong.append(f"{what}: it is about {begin - at} ms from the moment and does not say so")
        for one in answer.causes.lines:
            gone = plain.brought_about(one.line)
            self.needed += 1
            if not gone or plain.says(own.line, gone):
                self.wrong.append(f"{what}: not needed: {one.line['ts']} {one.line['event']}")
