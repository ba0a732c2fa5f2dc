"""`sensord mqtt`: what the messages hold, and taking everything of this unit off the broker."""

import argparse
import json
from pathlib import Path

from sensord.config import DEFAULT_PATH
from sensord.config.folders import state_beside
from sensord.config.loading import load
from sensord.config.sections import Config, MqttSection
from sensord.errors import BrokerError, ConfigError
from sensord.mqtt.payloads import mqtt_schema
from sensord.mqtt.publishing import OUTBOX, forget_unit


def arguments(parser: argparse.ArgumentParser) -> None:
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    clears = actions.add_parser("remove", help="clear every retained message and hub entity of this unit")
    clears.add_argument("--config", type=Path, default=DEFAULT_PATH, metavar="FILE", help="default: %(default)s")
    clears.add_argument("--state", type=Path, metavar="DIR", help="where the daemon keeps its files")
    actions.add_parser("schema", help="print the JSON Schema of all messages")


def run(options: argparse.Namespace) -> int:
    if options.action == "schema":
        print(json.dumps(mqtt_schema(), indent=2, ensure_ascii=False))
        return 0
    config = load(options.config)
    if config.mqtt is None:
        raise ConfigError(f"{options.config}: mqtt: there is no such section: add [mqtt] with host")
    return _remove(config, config.mqtt, options.state)


def _remove(config: Config, section: MqttSection, state: Path | None) -> int:
    try:
        cleared = forget_unit(config, section, state or state_beside(config, OUTBOX))
    except BrokerError as error:
        print(f"sensord mqtt remove: {error}")
        return 1
    print(f"cleared {cleared} topics of unit '{config.unit.name}'")
    return 0
