"""An invented nursery for looking at reports: `python -m tests.helpers.sample_history FOLDER [CHICKS] [DAYS]`.

The last night has a failed heater, two lids, a power gap and five rounds of feeds; everything is made by a seed.
"""

import random
import sys
from datetime import UTC, datetime, timedelta
from math import exp, sin
from pathlib import Path

from sensord.history import retention
from sensord.history.database import Connection, open_writer, transaction
from sensord.history.migrations import migrate

NIGHT = datetime(2024, 5, 5, 8, 0, tzinfo=UTC)  # the morning on which the report is made
NAMES = [
    "pip",
    "dot",
    "wren",
    "fig",
    "moss",
    "tansy",
    "juno",
    "bran",
    "olive",
    "flint",
    "hazel",
    "rue",
    "sage",
    "finch",
    "ivy",
    "robin",
    "clove",
    "teasel",
    "linnet",
    "perry",
    "quill",
    "sorrel",
    "dusk",
    "ember",
    "briar",
    "myrtle",
    "thorn",
    "basil",
    "cress",
    "dill",
    "fern",
    "gorse",
    "heath",
    "iris",
    "jasper",
    "kestrel",
    "lark",
    "maple",
    "nettle",
    "oak",
]


def make(folder: Path, chicks: int = 3, days: int = 12, seed: int = 5) -> Path:
    """Write `history.db` into `folder`; its path."""
    chance = random.Random(seed)
    path = folder / "history.db"
    connection = open_writer(path)
    migrate(connection, path)
    with transaction(connection, path):
        connection.executemany(
            "INSERT INTO probe (id, name) VALUES (?, ?)", [(1, "left"), (2, "right"), (3, "bowl"), (4, "room")]
        )
        connection.execute("INSERT INTO run (started_ms, sure, version) VALUES (?, 1, '0.1.0')", (_ms(NIGHT) - 1,))
        _air(connection, chance, days)
        _alarms(connection)
        _chicks(connection, chance, chicks, days)
        _rounds(connection, chance, chicks, days)
    retention.tend(connection, path, _ms(NIGHT) + 3_600_000, 400, 400)
    connection.close()
    return path


def _ms(moment: datetime) -> int:
    return round(moment.timestamp() * 1000)


def _air(connection: Connection, chance: random.Random, days: int) -> None:
    start = NIGHT - timedelta(days=days)
    first = start.timestamp()
    for day in range(days + 1):
        middle = max(26.0, 35.0 - 0.35 * day)
        connection.execute(
            "INSERT INTO band (at_ms, sure, place, low_celsius, high_celsius, source, pinned) VALUES (?, 1, 'brooder',"
            " ?, ?, 'profile parrots', 0)",
            (_ms(start + timedelta(days=day, hours=9)), middle - 1.2, middle + 1.2),
        )
    rows = []
    for minute in range(days * 1440):
        at = first + 60 * minute
        middle = max(26.0, 35.0 - 0.35 * max(0.0, (minute - 540) // 1440))
        celsius = middle + 0.35 * sin(minute / 7.3) + 0.2 * sin(minute / 211)
        left = (NIGHT.timestamp() - at) / 60  # minutes before the report
        if 338 <= left < 360:
            continue  # the power was off
        if 225 < left <= 290:
            celsius -= 3.1 * (1 - exp(-(290 - left) / 30))  # the heater had failed
        elif left <= 225:
            celsius -= 3.1 * exp(-(225 - left) / 12)
        for probe, off in ((1, 0.0), (2, 0.18)):
            value = celsius + off + chance.gauss(0, 0.04)
            low = value - 0.12
            if minute % 613 == 40 or left in (600, 130):
                low = value - 4.2
                value -= 1.4
            rows.append((int(at), probe, round(low * 1000), round(value * 1000), round((value + 0.15) * 1000), 60, 0))
        rows.append((int(at), 4, 20_900, 21_000 + round(900 * sin(minute / 230)), 22_000, 60, 0))
    connection.executemany("INSERT INTO minute VALUES (?, ?, ?, ?, ?, ?, ?)", rows)
    gap = "INSERT INTO power_gap (at_ms, sure, gap_seconds, before, after) VALUES (?, 1, 1320, ?, ?)"
    connection.execute(gap, (_ms(NIGHT - timedelta(minutes=338)), '{"left": 31.4}', '{"left": 29.2}'))


def _alarms(connection: Connection) -> None:
    def say(minutes: float, condition: str, priority: str, previous: str, state: str, origin: str = "daemon") -> None:
        connection.execute(
            "INSERT INTO alarm (at_ms, sure, place, condition, priority, state, previous, celsius, origin, seen,"
            " do_first) VALUES (?, 1, 'brooder', ?, ?, ?, ?, 29.6, ?, 'seen', 'do')",
            (_ms(NIGHT - timedelta(minutes=minutes)), condition, priority, state, previous, origin),
        )

    say(338, "power-gap", "low", "normal", "unacknowledged")
    say(330, "power-gap", "low", "unacknowledged", "acknowledged", "button")
    say(329, "power-gap", "low", "acknowledged", "normal")
    say(283, "losing-heat", "medium", "normal", "unacknowledged")
    say(279, "losing-heat", "medium", "unacknowledged", "acknowledged", "mqtt")
    say(262, "dangerously-cold", "high", "normal", "unacknowledged")
    say(260.5, "dangerously-cold", "high", "unacknowledged", "acknowledged", "button")
    say(219, "dangerously-cold", "high", "acknowledged", "normal")
    say(214, "losing-heat", "medium", "acknowledged", "normal")


def _chicks(connection: Connection, chance: random.Random, chicks: int, days: int) -> None:
    for number in range(chicks):
        name = NAMES[number % len(NAMES)] + ("" if number < len(NAMES) else str(number // len(NAMES)))
        born = NIGHT - timedelta(days=max(1, days - number % 4))
        kind = "rock pigeon" if number % 3 == 2 else "cockatiel"
        connection.execute(
            "INSERT INTO chick (name, kind, hatched, mark, brooder) VALUES (?, ?, ?, ?, 'brooder')",
            (name, kind, born.date().isoformat(), f"{['red', 'blue', 'green', 'black'][number % 4]} ring"),
        )
        top, middle, rate = chance.uniform(82, 98), chance.uniform(9, 12), chance.uniform(0.26, 0.34)
        for day in range(days + 1):
            at = NIGHT - timedelta(days=days - day, hours=2)
            age = (at - born).total_seconds() / 86_400
            if age < 0:
                continue
            grams = top / (1 + exp(-rate * (age - middle))) * chance.gauss(1, 0.01)
            if number == 1 and day >= days - 1:
                grams *= 0.78 if day == days else 0.97
            connection.execute(
                "INSERT INTO weighing (at_ms, sure, chick, grams, note, origin) VALUES (?, 1, ?, ?, '', 'control')",
                (_ms(at), name, round(grams, 1)),
            )


def _rounds(connection: Connection, chance: random.Random, chicks: int, days: int) -> None:
    names = [name for (name,) in connection.execute("SELECT name FROM chick ORDER BY rowid")]
    weights = dict(connection.execute("SELECT chick, max(grams) FROM weighing GROUP BY chick"))
    connection.execute(
        "INSERT INTO dish_state (at_ms, sure, dish, probe, state, previous, why) VALUES (?, 1, 'dish', 'bowl', 'ready',"
        " 'hot', '')",
        (_ms(NIGHT - timedelta(hours=1)),),
    )
    for hours in range(1, days * 24, 3):
        lift = NIGHT - timedelta(hours=hours, minutes=chance.randint(0, 25))
        celsius = chance.uniform(38.6, 40.4)
        batch = lift - timedelta(seconds=chance.uniform(420, 700))
        ready = lift - timedelta(seconds=chance.uniform(20, 90))
        connection.execute(
            "INSERT INTO feed_round (at_ms, sure, dish, batch_ms, ready_ms, celsius) VALUES (?, 1, 'dish', ?, ?, ?)",
            (_ms(lift), _ms(batch), _ms(ready), round(celsius, 2)),
        )
        if hours < 30:
            _curve(connection, batch, lift, celsius)
        for number in range(chicks):
            crop = "empty" if chance.random() < 0.8 else "nearly"
            if number == 1 and hours == 1:
                crop = "full"
            millilitres = round(0.09 * weights[names[number]] * (1 - hours / (days * 40)), 1)
            connection.execute(
                "INSERT INTO feed (at_ms, sure, chick, millilitres, crop, celsius, note, origin)"
                " VALUES (?, 1, ?, ?, ?, ?, '', 'control')",
                (_ms(lift + timedelta(seconds=40 * number + 30)), names[number], millilitres, crop, round(celsius, 1)),
            )


def _curve(connection: Connection, batch: datetime, lift: datetime, at_lift: float) -> None:
    seconds = round((lift - batch).total_seconds())
    for second in range(0, seconds + 80, 2):
        warm = 21 + (at_lift + 6 * (1 - second / seconds) - 21) * (1 - exp(-second / 12))
        cooled = warm if second <= seconds else 24 + (at_lift - 24) * exp(-(second - seconds) / 25)
        connection.execute(
            "INSERT OR IGNORE INTO reading VALUES (?, 3, ?, NULL, 1, 0, 1)",
            (_ms(batch) + 1000 * second, round(cooled * 16) * 1000 // 16),
        )


if __name__ == "__main__":
    print(make(Path(sys.argv[1]), *(int(word) for word in sys.argv[2:])))
