"""What the pages say of the commands is what the rows and the gates hold."""

import re
from pathlib import Path

from sensord.control import control_server
from sensord.control.control_wire import LINE_LIMIT_BYTES
from sensord.gate.command_gate import BURST, PER_MINUTE, model_of, read_payload
from sensord.watch.command_table import COMMANDS, Giver, verbs_for

DOCS = Path(__file__).parents[2] / "docs"
MQTT, WATCHING = ((DOCS / name).read_text() for name in ("mqtt.md", "watching.md"))
ROW = re.compile(r"^\| `([a-z-]+)` \| ([^|]*) \| ([^|]*) \|$", re.MULTILINE)
NUMBERS = {2.0: "two", 4: "four", 6.0: "six", 10: "Ten", 60.0: "a minute"}


def test_the_table_of_commands_has_the_fields_of_each_and_bare_payloads_that_are_read() -> None:
    table = MQTT.split("| verb | JSON fields | bare payload |")[1].split("\n\n")[0]
    rows = ROW.findall(table)
    assert {verb for verb, _, _ in rows} == set(verbs_for(Giver.BROKER))
    for verb, fields, bare in rows:
        assert set(re.findall("`([a-z_]+)`", fields)) == set(model_of(verb).model_fields) - {"request"}, verb
        payloads = re.findall("`([^`]+)`", bare)
        assert payloads, verb
        for payload in payloads:
            assert isinstance(read_payload(verb, payload.encode(), 0.0, Giver.BROKER), COMMANDS[verb].value)


def test_the_pages_name_the_budgets_and_the_bounds() -> None:
    assert f"{NUMBERS[BURST]} at once, then {NUMBERS[PER_MINUTE]} a minute for each verb" in MQTT
    socket = WATCHING.split("## The control socket")[1].replace("\n", " ")
    assert f"a line may have {LINE_LIMIT_BYTES // 1024} KiB" in socket
    kept = NUMBERS[control_server.KEPT_FOR_OWNER]
    assert f"{control_server.MOST_CLIENTS} clients have room, {kept} of the places are kept for root" in socket
    assert f"for {NUMBERS[control_server.IDLE_SECONDS]} is let go" in socket
    assert f"{NUMBERS[control_server.PER_SECOND]} commands a second are taken, after {control_server.BURST}" in socket


def test_the_page_says_what_is_for_the_owner_only() -> None:
    owners = set(COMMANDS) - set(verbs_for(Giver.SOCKET))
    (sentence,) = re.findall(r"[^;.]* are for root and the daemon's own user", WATCHING)
    assert set(re.findall("`([a-z-]+)`", sentence)) == owners
