"""The command line: finds the verb, imports only its module, and turns errors into sentences and exit codes.

It imports as little as it can: at night on a small Pi, each library that a verb does not need is felt.

Exit codes: 0 done, 1 the answer is no or an alarm stands, 2 usage or config error.
"""

import argparse
import errno
import importlib
import io
import os
import re
import sys
from collections.abc import Sequence
from typing import NamedTuple, TextIO

from sensord import __version__
from sensord.errors import CommandError, SensordError


class Verb(NamedTuple):
    """One command: the module under `sensord.commands` that has `arguments(parser)` and `run(options) -> int`."""

    module: str
    summary: str
    example: str


VERBS: dict[str, Verb] = {
    "run": Verb("run", "run the daemon", "sensord run --config /etc/sensord/sensord.toml"),
    "demo": Verb("demo", "run the daemon on simulated probes", "sensord demo --speed 60 --for 40m"),
    "watch": Verb("watch", "the dashboard of a running daemon", "sensord watch"),
    "probes": Verb("probes", "list the probes on the bus", "sensord probes --json"),
    "checkup": Verb("checkup", "is everything in order, and how is it mended", "sensord checkup --ask"),
    "config": Verb("config", "check the config, show it, or print an example", "sensord config --check"),
    "brooder": Verb(
        "brooder", "the coming days' bands of a brooder", "sensord brooder --profile finches --hatched 2026-05-04"
    ),
    "acknowledge": Verb("command_verbs", "say that an alarm was noticed", "sensord acknowledge brooder too-cold"),
    "shelve": Verb("command_verbs", "hide an alarm for a limited time", "sensord shelve brooder --for 5m"),
    "unshelve": Verb("command_verbs", "end a shelf early", "sensord unshelve brooder"),
    "reset": Verb("command_verbs", "let go of a danger that has gone", "sensord reset brooder dangerously-warm"),
    "pause": Verb("command_verbs", "silence the horn for a limited time", "sensord pause --for 90s"),
    "batch": Verb("command_verbs", "a bowl of formula was just mixed", "sensord batch"),
    "out-of-service": Verb(
        "command_verbs",
        "take an alarm out of the watch until you put it back",
        "sensord out-of-service nest chick-on-probe",
    ),
    "test-sounds": Verb("command_verbs", "have every sound played once by the daemon", "sensord test-sounds"),
    "return-to-service": Verb("command_verbs", "put it back", "sensord return-to-service nest chick-on-probe"),
    "stage": Verb("command_verbs", "say which stage the chicks have reached", "sensord stage feathered --brooder nest"),
    "feed": Verb("feed", "write a feed down, or see who is due", "sensord feed pip 4.5 --crop empty"),
    "weigh": Verb("weigh", "write a weight down, or see how a chick grows", "sensord weigh pip 45.2"),
    "chick": Verb("chick", "add a chick, change or list them", "sensord chick pip --hatched 2024-05-04"),
    "report": Verb("report", "a night, a day or a chick's rearing", "sensord report night --out night.html"),
    "history": Verb("history", "what is kept, check it, copy it", "sensord history --backup copy.db"),
    "export": Verb("history", "the history as CSV or JSON lines", "sensord export feed --out feeds.csv"),
    "import": Verb("history", "take an exported file back in", "sensord import feeds.csv"),
    "sounds": Verb("sounds", "what each sound means, in a file or played", "sensord sounds ready --wav ready.wav"),
    "calibrate": Verb("calibrate", "prove and correct a probe", "sensord calibrate dish --ice --compare"),
    "mix": Verb("mix", "plan a batch of formula", "sensord mix --chicks 4 --feed-ml 8 --solids 25 --bowl steel:90"),
    "correct": Verb("correct", "bring a dish into its band", "sensord correct --celsius 41 --ml 40 --solids 25"),
    "mqtt": Verb("mqtt", "print the schema of the messages, clear what a unit left", "sensord mqtt remove"),
    "replay": Verb("replay", "run the rules over recorded readings", "sensord replay night.csv --dish-band 36:38"),
}


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; the exit code of the process."""
    given = _joined(sys.argv[1:] if arguments is None else arguments)
    options = argparse.Namespace(verb=None)
    sys.stdout, sys.stderr = _can_take_all(sys.stdout), _can_take_all(sys.stderr)
    try:
        parser = parser_for(given)
        options = parser.parse_args(given)
        if options.verb is None:
            parser.print_help()
            return 2
        module = importlib.import_module(f"sensord.commands.{VERBS[options.verb].module}")
        _log_to_nobody()
        code: int = module.run(options)
        sys.stdout.flush()
    except SensordError as error:
        from sensord.texts import plain_text

        for line in f"sensord {options.verb}: {error}".split("\n"):
            print(plain_text(line), file=sys.stderr)
        return 1 if isinstance(error, CommandError) else 2
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        # The reader of our output (a pager, head) has gone: nothing is wrong, and nothing more can be said.
        _say_no_more()
        return 0
    except OSError as error:
        if error.errno not in _OUTPUT_IS_FULL or error.filename is not None:
            raise
        _say_no_more()
        print(f"sensord {options.verb}: the output cannot be written: {error.strerror}", file=sys.stderr)
        return 2
    return code


def _log_to_nobody() -> None:
    """Who runs a command reads its sentences; only the daemon has a journal that takes what modules log."""
    if "logging" in sys.modules:
        log = sys.modules["logging"]
        log.getLogger("sensord").addHandler(log.NullHandler())


def _can_take_all(stream: TextIO | None) -> TextIO:
    """The same stream, with `?` for what its encoding lacks; where whoever started us closed it, one to nowhere."""
    if stream is None:
        return open(os.devnull, "w", encoding="utf-8")  # noqa: PTH123 - pathlib is slow to import
    if isinstance(stream, io.TextIOWrapper):
        stream.reconfigure(errors="replace")
    return stream


_OUTPUT_IS_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO)


def _say_no_more() -> None:
    """What is still waiting to be printed goes nowhere, so that Python does not try once more at its end."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _joined(given: Sequence[str]) -> list[str]:
    """`--for -5m` as `--for=-5m`: argparse would take what begins with a minus for an option of its own."""
    joined: list[str] = []
    for word in given:
        if re.match(r"-[\d.]", word) and joined and re.fullmatch(r"--[a-z-]+", joined[-1]):
            joined[-1] += f"={word}"
        else:
            joined.append(word)
    return joined


def parser_for(given: Sequence[str]) -> argparse.ArgumentParser:
    """All verbs by name and summary; only the one asked for is made and imported, so that every verb starts quickly."""
    parser = argparse.ArgumentParser(
        prog="sensord",
        description="Watches the brooder and the formula dish of hand-reared chicks. It warns; it never controls heat.",
        epilog="`sensord VERB --help` has the options and an example of each.",
    )
    parser.add_argument("--version", action="version", version=f"sensord {__version__}")
    verbs = parser.add_subparsers(dest="verb", metavar="VERB", title="verbs", prog="sensord")
    asked = next((word for word in given if not word.startswith("-")), None)
    for name, verb in VERBS.items() if asked not in VERBS else [(asked, VERBS[asked])]:
        child = verbs.add_parser(
            name,
            help=verb.summary,
            description=verb.summary[0].upper() + verb.summary[1:] + ".",
            epilog=f"example: {verb.example}",
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        if name == asked:
            importlib.import_module(f"sensord.commands.{verb.module}").arguments(child)
    return parser
