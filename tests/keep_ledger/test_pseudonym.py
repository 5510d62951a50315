from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from pipeline.keep_ledger.pseudonym import PseudonymKey, hmac_hex, load_key, normal_handle
from pipeline.problems import KeyProblem

KEY = PseudonymKey(b"0123456789abcdef", "a test")


@pytest.mark.parametrize(
    ("secret", "message", "digest"),
    [
        (
            b"Jefe",
            b"what do ya want for nothing?",
            "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843",
        ),
        (
            b"\xaa" * 131,
            b"Test Using Larger Than Block-Size Key - Hash Key First",
            "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54",
        ),
    ],
    ids=["RFC 4231 case 2", "RFC 4231 case 6"],
)
def test_published_vectors(secret: bytes, message: bytes, digest: str) -> None:
    assert hmac_hex(secret, message) == digest


@pytest.mark.parametrize(
    "handle",
    ["@Tern_Fan", "tern_fan ", "  @ TERN_FAN", "ＴＥＲＮ_ＦＡＮ", "＠tern_fan", "tern\u200b_fan", "@@tern_fan\n"],
)
def test_one_person_in_two_spellings_is_one_key(handle: str) -> None:
    assert KEY.author_key(handle) == KEY.author_key("tern_fan")


def test_an_author_key_is_the_hash_of_the_normal_handle() -> None:
    assert KEY.author_key("@Jo  Strasse") == hmac_hex(KEY.secret, b"jo strasse")[:24]
    assert normal_handle("Jo Straße") == "jo strasse"


@pytest.mark.parametrize("handle", [None, "", "  ", "@", "\u200b"])
def test_no_handle_has_no_key(handle: str | None) -> None:
    assert KEY.author_key(handle) is None


def test_other_people_and_other_keys_cannot_be_linked() -> None:
    other = PseudonymKey(b"fedcba9876543210", "a test")
    assert KEY.author_key("tern_fan") != KEY.author_key("tern-fan")
    assert KEY.author_key("tern_fan") != other.author_key("tern_fan")
    assert KEY.fingerprint != other.fingerprint


def test_the_secret_is_not_shown() -> None:
    assert "0123456789abcdef" not in repr(KEY)


def test_the_variable_goes_before_the_file_and_the_file_before_the_config_folder(tmp_path: Path) -> None:
    file = tmp_path / "mine.key"
    file.write_text("from-the-key-file\n")
    file.chmod(0o600)
    config = tmp_path / "config" / "crowdfade"
    config.mkdir(parents=True)
    (config / "key").write_text("from-the-config-folder\n")
    (config / "key").chmod(0o600)
    environ = {
        "CROWDFADE_KEY": "from-the-variable",
        "CROWDFADE_KEY_FILE": str(file),
        "XDG_CONFIG_HOME": str(tmp_path / "config"),
    }
    assert load_key(environ).secret == b"from-the-variable"
    del environ["CROWDFADE_KEY"]
    assert load_key(environ).secret == b"from-the-key-file"
    del environ["CROWDFADE_KEY_FILE"]
    assert load_key(environ).secret == b"from-the-config-folder"


def test_a_new_key_is_made_once_for_its_owner_alone(tmp_path: Path) -> None:
    environ = {"XDG_CONFIG_HOME": str(tmp_path)}
    first = load_key(environ)
    path = tmp_path / "crowdfade" / "key"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700
    assert len(first.secret) == 64
    assert load_key(environ) == first
    assert os.listdir(path.parent) == ["key"]


def test_without_xdg_the_key_is_below_home(tmp_path: Path) -> None:
    load_key({"HOME": str(tmp_path)})
    assert (tmp_path / ".config" / "crowdfade" / "key").is_file()


@pytest.mark.parametrize("mode", [0o644, 0o640, 0o604, 0o620])
def test_a_key_file_that_others_can_read_is_refused(tmp_path: Path, mode: int) -> None:
    file = tmp_path / "key"
    file.write_text("long enough to be a key\n")
    file.chmod(mode)
    with pytest.raises(KeyProblem, match=f"chmod 600 {file}"):
        load_key({"CROWDFADE_KEY_FILE": str(file)})


def test_a_named_key_file_that_is_missing_is_not_made(tmp_path: Path) -> None:
    with pytest.raises(KeyProblem, match="cannot be read"):
        load_key({"CROWDFADE_KEY_FILE": str(tmp_path / "gone")})
    assert not (tmp_path / "gone").exists()


def test_no_key_is_made_for_a_ledger_that_had_one(tmp_path: Path) -> None:
    with pytest.raises(KeyProblem, match="cannot be found"):
        load_key({"XDG_CONFIG_HOME": str(tmp_path)}, create=False)
    assert not (tmp_path / "crowdfade").exists()


def test_a_short_key_is_refused() -> None:
    with pytest.raises(KeyProblem, match="at least 16"):
        load_key({"CROWDFADE_KEY": "secret"})
