"""`sensord replay`: what would the rules have said?"""

import argparse
import sys
from contextlib import ExitStack
from pathlib import Path

from sensord.commands.given import a_new_file, low_high, number
from sensord.config import settings as assembly
from sensord.config.loading import load
from sensord.config.sections import BandSection
from sensord.errors import DataError
from sensord.run import replaying as replay


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("readings", type=Path, metavar="READINGS.csv", help="time_s,probe,reading; .csv.gz accepted")
    parser.add_argument("--config", type=Path, metavar="FILE", help="probes, bands and rules of this config")
    parser.add_argument("--dish-band", metavar="LOW:HIGH", help="the feeding band in °C, e.g. 36:38")
    parser.add_argument("--brooder-band", metavar="LOW:HIGH", help="the brooder's band in °C, e.g. 33.2:35.8")
    parser.add_argument(
        "--uncertainty", type=number, metavar="CELSIUS", help="expanded uncertainty (k = 2) of the probes"
    )
    parser.add_argument("--uptake", type=number, metavar="SECONDS", help="uptake time of the formula")
    parser.add_argument("--out", type=Path, metavar="FILE", help="write a new file instead of to standard output")


def run(options: argparse.Namespace) -> int:
    given = None if options.config is None else load(options.config)
    if options.uncertainty is not None and not 0 < options.uncertainty <= 3:
        raise DataError(f"--uncertainty {options.uncertainty:g}: give an expanded uncertainty above 0 and up to 3 °C")
    if options.uptake is not None and not 0 <= options.uptake <= 1800:
        raise DataError(f"--uptake {options.uptake:g}: give 0 to 1800 seconds")
    config = replay.config_for(
        given,
        dish_band=_band(options.dish_band, "--dish-band"),
        brooder_band=_band(options.brooder_band, "--brooder-band"),
        uncertainty_celsius=options.uncertainty,
        uptake_seconds=options.uptake,
    )
    recording = replay.read(options.readings, config.probes)
    for bad in recording.bad:
        print(f"{options.readings}: line {bad.line}: {bad.why}: row left out", file=sys.stderr)
    settings = assembly.nursery_settings(replay.only(config, recording.probes))
    with ExitStack() as stack:
        out = sys.stdout
        if options.out is not None:
            out = stack.enter_context(stack.enter_context(a_new_file(options.out)).open("w", encoding="utf-8"))
        for effect in replay.run(settings, recording.observations):
            line = replay.replay_line(effect)
            if line is not None:
                print(line, file=out)
    if recording.bad:
        print(f"{options.readings}: {len(recording.bad)} bad rows left out", file=sys.stderr)
        return 1
    return 0


def _band(text: str | None, option: str) -> BandSection | None:
    if text is None:
        return None
    low, high = low_high(option, text, 0, 60)
    return BandSection(low_celsius=low, high_celsius=high, source=option)
