"""Renders templates as the hub does: reads a JSON list of [template, payload] on stdin, writes the list of results.

Run with the Python of the hub's environment (tests/hub/run).
"""

import asyncio
import json
import sys
import tempfile

from homeassistant.core import HomeAssistant
from homeassistant.helpers.template import Template


async def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        hass = HomeAssistant(folder)
        asked = json.load(sys.stdin)
        told = [
            str(Template(template, hass).async_render_with_possible_json_value(payload, "TEMPLATE ERROR"))
            for template, payload in asked
        ]
        json.dump(told, sys.stdout)
        await hass.async_stop(force=True)


asyncio.run(main())
