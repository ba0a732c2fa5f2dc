"""Commands beside the daemon find its files where it keeps them."""

from pathlib import Path

import pytest

from sensord.config import folders as places
from sensord.config.folders import state_beside
from sensord.config.sections import Config, UnitSection


def test_the_service_s_folder_comes_before_the_user_s_own_where_it_holds_the_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    service, user = tmp_path / "service", {"XDG_STATE_HOME": str(tmp_path / "user")}
    monkeypatch.setattr(places, "SERVICE_STATE", service)
    assert state_beside(Config(), "history.db", user) == tmp_path / "user" / "sensord"
    service.mkdir()
    assert state_beside(Config(), "history.db", user) == tmp_path / "user" / "sensord"
    assert state_beside(Config(), environment=user) == service
    (service / "history.db").touch()
    assert state_beside(Config(), "history.db", user) == service


def test_what_config_or_service_manager_say_comes_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(places, "SERVICE_STATE", tmp_path)
    assert state_beside(Config(), environment={"STATE_DIRECTORY": "/run/elsewhere"}) == Path("/run/elsewhere")
    config = Config(unit=UnitSection(state_folder=Path("/srv/state")))
    assert state_beside(config, environment={"STATE_DIRECTORY": "/run/elsewhere"}) == Path("/srv/state")
