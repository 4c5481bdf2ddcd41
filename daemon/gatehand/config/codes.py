"""What can be wrong with a config: a word for each kind of mistake, its level, why it matters, what is right.

`gatehand check --explain CODE` shows an entry. A new check takes one of these or adds one: a `Fault` without a code
cannot be written, and a test meets each code in a config that has its mistake.
"""

from collections.abc import Mapping
from enum import StrEnum
from typing import Final

from msgspec import Struct


class Severity(StrEnum):
    """An error keeps the config from being used, a warning does not."""

    ERROR = "error"
    WARNING = "warning"


class Code(Struct, frozen=True):
    """A kind of mistake."""

    name: str
    level: Severity
    why: str
    """A few sentences: what it means, why it matters."""
    right: str
    """An example in TOML; empty where there is none to give."""


def _error(name: str, why: str, right: str = "") -> Code:
    return Code(name, Severity.ERROR, " ".join(why.split()), right)


def _warning(name: str, why: str, right: str = "") -> Code:
    return Code(name, Severity.WARNING, " ".join(why.split()), right)


# The file and its TOML.

UNREADABLE_FILE: Final = _error(
    "unreadable-file",
    """The config cannot be read: it is not there, it is not a plain file, it is far too large, or this user may not
    read it. Name the right file, or run the command as the user that the daemon runs as.""",
    "gatehand check /etc/gatehand/config.toml",
)
NOT_UTF_8: Final = _error(
    "not-utf-8",
    """A config is UTF-8 text, which every editor can save. Another encoding turns up at the first letter that is not
    plain English, also in a comment.""",
)
NOT_TOML: Final = _error(
    "not-toml",
    """The line breaks the grammar of TOML (https://toml.io), the language that the config is written in. Each line is
    a table header or a key with its value. Nothing of the line is used until it is corrected.""",
    "[tool.band_saw]          # a table\nrun_on = 10              # a key, =, its value",
)
QUOTE_MISSING: Final = _error(
    "quote-missing",
    """Text begins with a quote and ends with one, on the same line. Where one is missing, TOML takes the keys and
    brackets after it for part of the text, and complains at a place that looks right.""",
    'current = { topic = "shop/band_saw/amps" }',
)
BRACKET_MISSING: Final = _error(
    "bracket-missing",
    """A bracket was opened and not closed, or the other way round: [ ] holds a list or a table header, { } a table in
    one line.""",
    'gates = ["band_saw", "sweep"]\ncurrent = { topic = "shop/band_saw/amps" }',
)
TABLE_OVER_LINES: Final = _error(
    "table-over-lines",
    """A table in { } must be on one line; TOML allows no line end in it, and no comma before its }. A long one is
    better written as a table of its own, with its keys on lines of their own. A list in [ ] may go over several
    lines.""",
    '[tool.band_saw.current]\ntopic = "shop/band_saw/amps"\npointer = "/amps"',
)
TEXT_WITHOUT_QUOTES: Final = _error(
    "text-without-quotes",
    """Names, topics and durations with a unit are written in quotes. Numbers are not, nor are true and false.""",
    'run_on = "60 s"          # or run_on = 60\ncollector = "main"\nrelief = true',
)
CURLY_QUOTE: Final = _error(
    "curly-quote",
    """A word processor or a web page has turned the plain quote into a typographic one. TOML knows only the plain
    one.""",
    'run_on = "5 s"',
)
STRAY_COMMA: Final = _error(
    "stray-comma",
    """A number is written with a point, not with a comma, and no comma follows a value at the end of a line. Commas
    go between the values of a list, and between the keys of a table in { }.""",
    "start_amps = 2.5",
)
SET_TWICE: Final = _error(
    "set-twice",
    """A key or a table may be set once. Of two, nobody could say which one counts: keep one of them.""",
)
KEY_WITHOUT_VALUE: Final = _error(
    "key-without-value",
    """A line in a table is a key, =, and its value. One of the three is missing.""",
    "run_on = 10",
)
TOO_DEEP: Final = _error(
    "too-deep",
    """Tables and lists are nested far deeper than any config needs, so something has been pasted that does not belong
    here.""",
)

# Keys and single values.

UNKNOWN_KEY: Final = _error(
    "unknown-key",
    """No key of that name belongs in this table, so it would do nothing. Usually it is misspelt: check names the
    nearest known one, and check --fix corrects it where only one is a single letter away.""",
    "[tool.band_saw]\nrun_on = 10              # not run_om",
)
UNKNOWN_TABLE: Final = _error(
    "unknown-table",
    """There is no table of that name. Tables are broker, log, collector, gate, tool, stop, upkeep, circuit, homie,
    page, airflow, fan and duct; most of them take a name of your choice after a dot.""",
    "[gate.band_saw]",
)
KEY_ELSEWHERE: Final = _error(
    "key-elsewhere",
    """The key is right, and in the wrong table. A line belongs to the nearest table header above it, so a key that
    was added at the end of the file belongs to the last table.""",
    "[tool.band_saw]\nrun_on = 10              # a tool's, not its collector's",
)
MISSING_KEY: Final = _error(
    "missing-key",
    """The table lacks a key that has no default: only you know what it is.""",
    '[collector.main]\ncommand = { topic = "shop/collector/set", on = "1", off = "0" }',
)
WRONG_KIND: Final = _error(
    "wrong-kind",
    """The value is of another kind than the key takes: a number, text in quotes, true or false, a list in [ ], a
    table in { }.""",
    'gates = ["band_saw"]\nstart_amps = 2.5\nrelief = true',
)
NOT_A_TABLE: Final = _error(
    "not-a-table",
    """A signal is more than its topic (it may have a pointer, a scale, payloads), so it is written as a table.""",
    'current = { topic = "shop/band_saw/amps" }',
)
UNKNOWN_WORD: Final = _error(
    "unknown-word",
    """The key takes one of a few words, and this is not one of them.""",
    'rest = "shut"            # or "leave"',
)
BAD_NUMBER: Final = _error(
    "bad-number",
    """The number is outside of what the key can take, or is not whole where a count is wanted.""",
    "retries = 2",
)
BAD_DURATION: Final = _error(
    "bad-duration",
    """A duration is seconds as a number, or text with units: d, h, min, s, ms, the larger one first. It is never
    negative, and at most a year.""",
    'run_on = 10\nhand_limit = "30 min"\nstart_after = "250 ms"',
)
BAD_TOPIC: Final = _error(
    "bad-topic",
    """A topic names one device's signal: levels with / between, no wildcard (+ and #), no control characters, at most
    65,535 bytes (MQTT 5.0, sections 1.5.4 and 4.7). A topic of the daemon's own begins and ends without a /.""",
    'topic = "shop/band_saw/amps"',
)
BAD_ADDRESS: Final = _error(
    "bad-address",
    """The page listens on an address of this computer and a port: 127.0.0.1 is this computer alone, 0.0.0.0 every
    network that it is on. The names in `hosts` are those in a browser's address bar, without http:// and port.""",
    '[page]\nlisten = "192.168.20.1:8443"\nhosts = ["shop.local"]',
)
BAD_POINTER: Final = _error(
    "bad-pointer",
    """A JSON pointer (RFC 6901) says where in a JSON payload the value is. It begins with /, and each further / leads
    one level down. Without a pointer the payload is the value.""",
    'current = { topic = "shop/meter", pointer = "/channels/0/amps" }   # {"channels": [{"amps": 6.4}]}',
)
BAD_PAYLOAD: Final = _error(
    "bad-payload",
    """A payload is the word that travels: text in quotes, a number, true or false. A list, a table or empty text
    cannot be one.""",
    'command = { topic = "shop/gate/set", open = "open", shut = "shut" }',
)
SAME_PAYLOADS: Final = _error(
    "same-payloads",
    """Two words of one signal must differ, or nobody could tell open from shut, or on from off.""",
    'command = { topic = "shop/gate/set", open = "open", shut = "shut" }',
)
BAD_NAME: Final = _error(
    "bad-name",
    """A name becomes a part of topics and of alarms, so it has 1 to 64 of A-Z, a-z, 0-9, _ and -.""",
    "[tool.band_saw]",
)
BAD_HOST: Final = _error(
    "bad-host",
    """The host is a name or an address alone. The port has its own key, and encryption is tls.""",
    '[broker]\nhost = "192.168.1.20"\nport = 1883',
)
BAD_TEXT: Final = _error(
    "bad-text",
    """The text is empty, or has control characters in it, which nobody can see and which break lists.""",
    'username = "gatehand"',
)

# Names that refer to other tables.

UNKNOWN_NAME: Final = _error(
    "unknown-name",
    """A name is used that no table has, or a table has a name that nobody uses while all others use one that is
    nearly the same. Usually one of the two is misspelt: check --fix corrects it where only one is a single letter
    away.""",
    '[gate.band_saw]\n...\n[tool.band_saw]\ngates = ["band_saw"]     # the name of the gate\'s table',
)
NAMED_TWICE: Final = _error(
    "named-twice",
    """A list names the same thing twice. Once is enough; perhaps the second was meant to be another.""",
    'gates = ["jointer", "sweep"]',
)
EMPTY_LIST: Final = _error(
    "empty-list",
    """The list is empty, so the key does nothing. Fill it, or leave the key out for its default.""",
    'collectors = ["main"]',
)
WHICH_COLLECTOR: Final = _error(
    "which-collector",
    """There are several collectors, and nothing says which one this belongs to.""",
    '[gate.band_saw]\ncollector = "main"',
)
TWO_COLLECTORS: Final = _error(
    "two-collectors",
    """A tool is served by one collector: its gates, and those that assist, belong to the same one.""",
    '[gate.saw_table]\ncollector = "main"\n[gate.saw_hood]\ncollector = "main"\n[tool.saw]\n'
    'gates = ["saw_table", "saw_hood"]',
)

# Devices: what could never work, what is doubtful.

NO_COLLECTOR: Final = _error(
    "no-collector",
    """Without a collector there is nothing to switch on.""",
    '[collector.main]\ncommand = { topic = "shop/collector/set", on = "1", off = "0" }',
)
NOTHING_STARTS: Final = _error(
    "nothing-starts",
    """There is neither a tool nor a gate, so no collector would ever be switched on.""",
    '[tool.band_saw]\ngates = ["band_saw"]\ncurrent = { topic = "shop/band_saw/amps" }\nstart_amps = 2.5',
)
NEVER_STARTS: Final = _error(
    "never-starts",
    """The numbers contradict each other: more gates would have to be open than may be open, or than there are. The
    collector starts only with min_open of its gates proven open, and no more than max_open may be open.""",
    "min_open = 1\nmax_open = 2",
)
IDLE_COLLECTOR: Final = _warning(
    "idle-collector",
    """No gate and no tool belongs to this collector, so nothing ever switches it on.""",
    '[gate.lathe]\ncollector = "shed"',
)
HANDS_ONLY: Final = _warning(
    "hands-only",
    """No tool belongs to this collector: only a button, a gate opened by hand, or somebody at a screen switches it
    on. Fine for a sweep, else a tool is missing.""",
)
REFRESH_SHORT: Final = _error(
    "refresh-short",
    """The command is repeated every `refresh`; faster than once a second only fills the network.""",
    "refresh = 20             # 0 = never",
)
NO_REFRESH: Final = _warning(
    "no-refresh",
    """With refresh = 0 the "on" is sent once. A switch with a time limit of its own would then switch off in the
    middle of a cut, so such a limit cannot be set: and when the daemon, its computer, the broker or the network fails
    while the fan turns, nothing switches it off. Repeat the command, and give the switch a time limit of a little
    more than twice that. Only a switch that must not get the command twice needs 0.""",
    "refresh = 20             # and the switch's own time limit: 45 s",
)
COAST_DOWN_SHORT: Final = _warning(
    "coast-down-short",
    """A fan's wheel keeps turning for seconds after it is switched off, and the last gate stays open until
    `coast_down` is over. Too short, and the gate shuts against a fan that still blows.""",
    "coast_down = 8",
)
NO_EFFECT: Final = _warning("no-effect", """The key would change something that is not there, so it does nothing.""")
GATE_BLIND: Final = _error(
    "gate-blind",
    """A gate is told to move (command), or reports where it is (state), or both. One that is moved by hand needs
    state, else nobody knows whether it is open; one that is to open by itself needs command.""",
    '[gate.sweep]\nstate = { topic = "shop/gate/sweep", open = "open", shut = "shut" }',
)
GATE_UNUSED: Final = _error(
    "gate-unused",
    """No tool names this gate, it has no button and no other way to be opened, so it would stay shut for ever. Usually
    a tool's list of gates is not complete.""",
    '[tool.jointer]\ngates = ["planing"]',
)
FEWER_GATES: Final = _warning(
    "fewer-gates",
    """The collector wants more gates open than the tool names, so others are opened with it, and suction is lost
    there. Relief gates come first; name in `gates` those that you want.""",
)
NO_SENSOR: Final = _error(
    "no-sensor",
    """Nothing says when the tool runs. It needs one of current (a sensor in amps), power (a meter in watts) and
    running (a contact or a word).""",
    'current = { topic = "shop/band_saw/amps" }\nstart_amps = 2.5',
)
TWO_SENSORS: Final = _error(
    "two-sensors",
    """A tool, and a collector's motor, is watched by one sensor: current, power or running. Of two nobody could say
    which one is right when they disagree.""",
    'power = { topic = "shop/band_saw/watts" }\nstart_watts = 120',
)
OTHER_UNIT: Final = _error(
    "other-unit",
    """Thresholds have the unit of the sensor: start_amps and stop_amps go with current, start_watts and stop_watts
    with power, and running has none, for a contact is active or clear. A collector has running_amps or
    running_watts.""",
    'power = { topic = "shop/band_saw/watts" }\nstart_watts = 120',
)
STOP_ABOVE_START: Final = _error(
    "stop-above-start",
    """A tool runs from its start threshold on, and has stopped below its stop threshold. With the second above the
    first it would start and stop at once.""",
    "start_amps = 2.5\nstop_amps = 1.8",
)
MUTED_AT_ONCE: Final = _error(
    "muted-at-once",
    """A tool that runs for longer than run_limit is taken for a stuck sensor. A limit that is over before the start
    counts would mute it every time.""",
    'run_limit = "8 h"',
)
GATES_OF_OTHERS: Final = _warning(
    "gates-of-others",
    """The tool has no gate of its own, and its collector starts only with a gate open: some other gate is opened for
    it. For a hose, give the collector min_open = 0; else name the tool's gates.""",
    "min_open = 0",
)
NO_GATES: Final = _error(
    "no-gates",
    """A tool names the gates that it needs open. One without gates (a hose) names its collector, and that collector
    has min_open = 0, or it could never start.""",
    '[collector.hose]\nmin_open = 0\n[tool.sander]\ncollector = "hose"',
)
ASSIST: Final = _error(
    "assist",
    """`assist` names further gates that open with the tool's own, so that the air in the main keeps moving. They are
    not its own gates, and a tool without gates has nothing to assist.""",
    'gates = ["band_saw"]\nassist = ["sweep"]',
)
ASSIST_BY_HAND: Final = _warning(
    "assist-by-hand", """The gate is moved by hand, so it cannot be opened to assist: its command is missing."""
)

# Topics and logins.

SHARED_COMMAND: Final = _error(
    "shared-command",
    """Two devices take their commands on one topic, so one command would move both. Each gate and each switch needs a
    topic of its own.""",
    'command = { topic = "shop/gate/band_saw/set", open = "open", shut = "shut" }',
)
REPORT_ON_COMMAND: Final = _error(
    "report-on-command",
    """A report is listened to on a topic on which the daemon itself commands: it would hear its own command and take
    it for the device's report. That would prove a gate open which never moved.""",
    'command = { topic = "shop/gate/saw/set", open = "1", shut = "0" }\n'
    'state = { topic = "shop/gate/saw/state", open = "1", shut = "0" }',
)
SAME_VALUE: Final = _warning(
    "same-value",
    """Two devices read the very same value of one topic, so both would be seen running, or open, at once. One of the
    two was probably copied and not changed.""",
)
POLL_TOPIC: Final = _error(
    "poll-topic",
    """A question (poll) goes to the topic on which the device takes questions: not where something is commanded, for
    that could move it; not where its answers come, for the question would be taken for one.""",
    'poll = { topic = "shop/jointer/get", payload = "?" }',
)
OWN_TOPIC: Final = _error(
    "own-topic",
    """The topic lies where the daemon publishes its own state. A device there would be taken for the daemon, or the
    daemon for a device.""",
    'base = "gatehand"        # devices elsewhere, such as below shop/',
)
BROKER_TOPIC: Final = _warning(
    "broker-topic",
    """Topics that begin with $ belong to the broker (MQTT 5.0, section 4.7.2); devices rarely use them.""",
)
BLANK_IN_TOPIC: Final = _warning(
    "blank-in-topic",
    """A level of the topic begins or ends with a space. It counts as a part of the name, and a device would have to
    use it too.""",
)
READING_AGE: Final = _error(
    "reading-age",
    """`at` says where in the payload the time of the measurement is, `max_age` how old a reading may be. They need
    each other, and a JSON payload with a pointer to the value beside.""",
    'current = { topic = "shop/jointer", pointer = "/amps", at = "/time", max_age = "5 s" }',
)
LOGIN_TAKEN: Final = _error(
    "login-taken",
    """The broker's access list gives each login its rights. With a device's or a screen's login the daemon would lack
    rights, or the device would have the daemon's.""",
    'username = "gatehand"',
)

# Files that the config names.

PASSWORD: Final = _error(
    "password",
    """A login is a name and a password; the password is alone in the first line of a file that only the daemon may
    read.""",
    'username = "gatehand"\npassword_file = "broker.password"',
)
OPEN_TO_ALL: Final = _warning(
    "open-to-all",
    """Every user of this computer may read the secret. Take the right away from others.""",
    "chmod o= broker.password",
)
TLS_FILE: Final = _error(
    "tls-file",
    """A certificate or key for the encrypted connection cannot be read, is not a PEM file, or lacks its other
    half.""",
    'tls = { ca_file = "ca.pem", cert_file = "own.pem", key_file = "own.key" }',
)
TLS_PORT: Final = _warning(
    "tls-port",
    """Brokers listen on 1883 without encryption and on 8883 with it. With tls on 1883 the connection usually fails.""",
    "port = 8883\ntls = {}",
)
LOG_FOLDER: Final = _error(
    "log-folder",
    """The event log needs a folder that the daemon may write to.""",
    '[log]\nfolder = "/var/lib/gatehand/log"',
)

PAGE_OPEN: Final = _error(
    "page-open",
    """A phone that may ask for something shows a cookie, and on a network without encryption whoever listens can take
    it and ask for the same. So a page that allows anything is encrypted (`tls`, or a web server before it that is), or
    listens on this computer alone.""",
    '[page]\nlisten = "192.168.20.1:8443"\nallow = ["hand"]\ntls = { cert_file = "page.crt", key_file = "page.key" }',
)
PAGE_HOSTS: Final = _warning(
    "page-hosts",
    """A browser says by which name it calls a page, and the page answers to its addresses and to the names in `hosts`
    only: otherwise any page on the web could lead a phone's browser here under a name of its own.""",
    '[page]\nlisten = "192.168.20.1:8443"\nhosts = ["shop.local"]',
)

# Circuits and ducts.

ON_TWO_CIRCUITS: Final = _warning(
    "on-two-circuits", """A machine is on one breaker; here two circuits name it, so both count its current."""
)
NO_FULL_LOAD: Final = _warning(
    "no-full-load",
    """The load on a breaker is added up from each motor's full_load_amps. Without it the machine is not counted.""",
    "full_load_amps = 8       # from the motor's plate",
)
BREAKER_OVERLOAD: Final = _warning(
    "breaker-overload",
    """What can run together draws more than 80 % of the breaker's rating, the bound for continuous load (NEC 210.19
    and 210.20). Arithmetic only: wiring and breakers are a licensed electrician's business, and local rules
    decide.""",
    "max_open = 1             # fewer tools served at once",
)
BAD_CURVE: Final = _error(
    "bad-curve",
    """A fan's curve is a list of points [flow, static pressure], flow rising, pressure falling. Left of the curve's
    top a fan is unsteady: leave those points out. A curve that was read in an inlet pipe (`measured`) is above the
    velocity pressure of that pipe at every flow.""",
    "curve = [[0, 11.2], [400, 10.6], [800, 8.6], [1200, 3.9]]",
)
BAD_DUCT: Final = _error(
    "bad-duct",
    """The ducts are a tree for each collector: each runs `into` the next one towards the fan, the one without `into`
    is at the collector, and each end has a hood. There is no loop. A gate is in one duct; all hoods beyond it open
    and shut with it, so no second gate is on their way.""",
    '[duct.main]\ndiameter = 6\nlength = 14\n[duct.saw_drop]\ninto = "main"\ndiameter = 4\nlength = 6\n'
    'gate = "saw"\nhood = { flow = 350 }',
)
LOSES_NOTHING: Final = _error(
    "loses-nothing",
    """A duct without length, fittings and a hood's loss would draw any amount of air, so its flow cannot be worked
    out. Every real one has a length, and a hood that loses something: 0.04 velocity pressures at best.""",
    'length = 3\nhood = { entry = "bell" }',
)
FITTINGS_ORDER: Final = _warning(
    "fittings-order",
    """`fittings` lists them in the order in which the air meets them, from the hood to the fan: a reducer changes the
    diameter at which all that come after it count. A wye or a tee is where the duct ends, so nothing comes after it.
    A file in the other order has its gate and its wye at the wrong diameter.""",
    'diameter = 2.5\nfittings = [{ reducer = 4 }, "blade_gate", "wye_45"]   # gate and wye are of 4',
)
SUDDEN_STEP: Final = _warning(
    "sudden-step",
    """A duct runs into one of another diameter, and no reducer says how. A sudden step costs air: into a narrower
    duct it squeezes through, into a wider one its velocity is lost. It counts as a sudden step. If there is a
    reducer, list it: before the wye where there is one, with its full cone angle where it is a cone.""",
    "fittings = [{ reducer = 6, angle = 20 }]",
)
TOOL_ELSEWHERE: Final = _warning(
    "tool-elsewhere",
    """A hood serves the tools that open the gate on its way to the fan. A tool of another gate gets no air there, and
    of several hoods behind one gate each has to say which tool is its own: `tool` in its table.""",
    '[tool.jointer]\ngates = ["planing"]\n[duct.planing_drop]\ngate = "planing"\nhood = { tool = "jointer" }',
)
NO_FAN: Final = _error(
    "no-fan",
    """The ducts of a collector can be worked out only with the curve of its fan, in a table named after the
    collector. A [fan.NAME] with another name is there only to compare with.""",
    "[fan.main]\ncurve = [[0, 11.2], [400, 10.6], [800, 8.6]]",
)
WEAK_AIR: Final = _warning(
    "weak-air",
    """By calculation the air in a duct is too slow to carry the dust, or a hood gets less than it wants. `gatehand
    airflow` shows all of it, and what would fix it. Measure before you cut sheet metal.""",
)
SUCTION_ALONE: Final = _warning(
    "suction-alone",
    """A suction tells nothing by itself: it is compared with the shop's own baseline, which
    `gatehand exercise --suction` takes while the daemon runs, or with what the ducts, the fan's curve and its
    filter_loss give. With neither it is shown, and no alarm comes of it.""",
    "filter_loss = { clean = 1.0, dirty = 3.0, at = 800 }     # in [fan.NAME]",
)

# Values that can be written, and are probably not meant.

START_ABOVE_FULL_LOAD: Final = _warning(
    "start-above-full-load",
    """The tool would count as running only above what its plate says it draws at full load, so an ordinary cut would
    not be noticed. The start threshold lies between the current at idle and that in a light cut.""",
    "start_amps = 2.5\nfull_load_amps = 13",
)
TURNS_ABOVE_FULL_LOAD: Final = _warning(
    "turns-above-full-load",
    """The collector's motor would count as turning only above what its plate says it draws at full load: each start
    would be taken for a failed one. About a third of the full load will do.""",
    "running_amps = 4\nfull_load_amps = 12",
)
NEVER_REACHED: Final = _error(
    "never-reached",
    """A reading beyond 1,000 A (400,000 W) is refused as absurd, so this threshold is never reached. Usually the meter
    gives thousandths (give the sensor its scale) or another unit.""",
    'current = { topic = "shop/saw/milliamps", scale = 0.001 }\nstart_amps = 1.5',
)
FAR_TOO_LARGE: Final = _warning(
    "far-too-large",
    """No machine of a small shop draws so much, and no breaker of one is rated so high. Thresholds are in amps or
    watts, after the scale: amps in the hundreds usually mean that the meter gives watts or milliamps.""",
    'current = { topic = "shop/saw/milliamps", scale = 0.001 }\nstart_amps = 1.5',
)
SILENT_AFTER: Final = _warning(
    "silent-after",
    """`silent_after` does not fit how often the tool's meter was seen to speak, by the running daemon or in its
    recording. Too short for a steady meter, one lost message calls it silent in mid-cut; any number for a meter that
    speaks only on change calls it silent in a long steady cut, and its tool is let go; 0 for a steady meter leaves a
    sensor that has died unnoticed.""",
    "silent_after = 30  # a meter that speaks every 10 s\nsilent_after = 0   # only on change",
)
FIRST_CUT: Final = _warning(
    "first-cut",
    """After each start of the daemon a tool has to be seen idle before it may start the collector. A meter that speaks
    only on change is silent until the tool is switched on, so the first cut goes without air, unless the device can
    be asked (`poll`), or the broker keeps its last word (retained).""",
    'running = { topic = "shop/saw", active = "1", clear = "0", poll = { topic = "shop/saw/get", payload = "?" } }',
)
DURATION_DOUBTFUL: Final = _warning(
    "duration-doubtful",
    """The duration is far longer than is usual for this key. A number without a unit is seconds, so thousands mostly
    mean milliseconds.""",
    'run_on = 60              # or "60 s", "60000 ms"',
)
UNITS_DOUBTFUL: Final = _warning(
    "units-doubtful",
    """The numbers of the ducts do not fit the units: with us, diameters are inches and pressures inches of water;
    with metric, millimetres and pascals. All results would be wrong.""",
    '[airflow]\nunits = "metric"\n[duct.main]\ndiameter = 150           # mm\nlength = 4               # m',
)

AIR_DOUBTFUL: Final = _warning(
    "air-doubtful",
    """A number of the ducts that no small shop has: a length, a roughness, a loss factor, a flow, a velocity or a point
    of a fan's curve. Usually it is in another unit, or its decimal point has slipped. What is worked out with it is
    wrong.""",
    "roughness = 0.0003       # ft; in metric mm, such as 0.09",
)

CODES: Final[Mapping[str, Code]] = {each.name: each for each in tuple(globals().values()) if isinstance(each, Code)}
"""Every code by its name, in the order of this file."""
