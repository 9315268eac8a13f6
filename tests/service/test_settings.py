"""Settings: from the environment or a file, and a bad value names itself."""

import stat
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from service.errors import Refused
from service.settings import Settings

SECRET = "0123456789abcdef" * 2


def test_without_any_setting_the_database_is_a_file_under_var(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    settings = Settings.from_environment({})
    assert settings.data_dir == tmp_path / "var"
    assert settings.database_url == f"sqlite:///{tmp_path}/var/bows.db"
    assert not settings.demo


def test_a_value_may_come_from_a_file(tmp_path: Path) -> None:
    (tmp_path / "secret").write_text(f"{SECRET}\n", encoding="utf-8")
    settings = Settings.from_environment({"DATA_DIR": str(tmp_path), "SECRET_KEY_FILE": str(tmp_path / "secret")})
    assert settings.secret_key() == SECRET


BAD = [
    ({"DATABASE_URL": "nonsense"}, "DATABASE_URL is not an address"),
    ({"DATABASE_URL": "mysql://u:geheim@h/d"}, "DATABASE_URL: got a mysql database, expected sqlite or postgresql"),
    ({"DATABASE_URL": "postgresql://host"}, "DATABASE_URL names no database"),
    ({"DATABASE_URL": "sqlite://"}, "DATABASE_URL names no database"),
    ({"SECRET_KEY": "geheim"}, "SECRET_KEY: got 6 characters, expected 32 or more"),
    ({"SECRET_KEY_FILE": "/no/such/file"}, "SECRET_KEY_FILE names /no/such/file, which cannot be read: No such file"),
    ({"LOG_LEVEL": "loud"}, "LOG_LEVEL: got 'loud', expected one of critical"),
    ({"LOG_LEVEL": "info", "LOG_LEVEL_FILE": "x"}, "LOG_LEVEL and LOG_LEVEL_FILE are both set"),
    ({"PUBLIC_ADDRESS": "bows.example"}, "PUBLIC_ADDRESS: got 'bows.example', expected an address such as https"),
    ({"ADVICE_PER_MINUTE": "many"}, "ADVICE_PER_MINUTE: got 'many', expected a whole number from 0"),
]


@pytest.mark.parametrize(("environ", "sentence"), BAD, ids=[next(iter(environ)) for environ, _ in BAD])
def test_a_bad_value_names_itself_and_tells_no_secret(environ: dict[str, str], sentence: str) -> None:
    with pytest.raises(Refused, match="^" + sentence) as refused:
        Settings.from_environment(environ)
    assert "geheim" not in str(refused.value)


def test_the_kept_key_is_made_once_for_its_owner_only(tmp_path: Path) -> None:
    settings = Settings.from_environment({"DATA_DIR": str(tmp_path / "data")})
    with ThreadPoolExecutor(8) as pool:
        keys = set(pool.map(lambda _: settings.secret_key(), range(32)))
    assert len(keys) == 1
    assert len(keys.pop()) == 64
    assert stat.S_IMODE((tmp_path / "data" / "secret.key").stat().st_mode) == 0o600
    assert [path.name for path in (tmp_path / "data").iterdir()] == ["secret.key"]


def test_a_kept_key_that_was_cut_short_is_refused(tmp_path: Path) -> None:
    (tmp_path / "secret.key").write_text("abc", encoding="ascii")
    with pytest.raises(Refused, match="too short"):
        Settings.from_environment({"DATA_DIR": str(tmp_path)}).secret_key()
