"""The keys of a release: RFC 4231's vectors, and that two releases cannot be joined."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.keep_ledger.pseudonym import hmac_hex
from pipeline.problems import KeyProblem
from pipeline.publish_release.keys import KEY_DIGITS, ReleaseKey

# RFC 4231, section 4: all cases but 5, whose output is cut short (cases 2 and 6 also stand in tests/keep_ledger).
RFC_4231 = [
    (b"\x0b" * 20, b"Hi There", "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"),
    (b"Jefe", b"what do ya want for nothing?", "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"),
    (b"\xaa" * 20, b"\xdd" * 50, "773ea91e36800e46854db8ebd09181a72959098b3ef8c122d9635514ced565fe"),
    (bytes(range(1, 26)), b"\xcd" * 50, "82558a389a443c0ea4cc819899f2083a85f0faa3e578f8077a2e3ff46729665b"),
    (b"\xaa" * 131, b"Test Using Larger Than Block-Size Key - Hash Key First",
     "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54"),
    (b"\xaa" * 131, b"This is a test using a larger than block-size key and a larger than block-size data. "
     b"The key needs to be hashed before being used by the HMAC algorithm.",
     "9b09ffa71b942fcb27635fbcd5b0e944bfdc63644f0713938a7f51535c3a35e2"),
]  # fmt: skip


@pytest.mark.parametrize(("key", "data", "digest"), RFC_4231)
def test_rfc_4231(key: bytes, data: bytes, digest: str) -> None:
    assert hmac_hex(key, data) == digest


def test_two_fresh_keys_give_one_person_two_names() -> None:
    one, two = ReleaseKey.fresh(), ReleaseKey.fresh()
    assert one.of("person", "abc") != two.of("person", "abc")
    assert one.of("person", "abc") == one.of("person", "abc") != one.of("vehicle", "abc")
    assert len(one.of("person", "abc")) == KEY_DIGITS
    assert "secret" not in repr(one)


def test_a_linkable_key_is_read_only_from_a_private_file(tmp_path: Path) -> None:
    file = tmp_path / "key"
    file.write_text("forty signs that nobody guesses, 40 of them")
    file.chmod(0o644)
    with pytest.raises(KeyProblem, match="others can read"):
        ReleaseKey.from_file(file)
    file.chmod(0o600)
    assert ReleaseKey.from_file(file).of("person", "abc") == ReleaseKey.from_file(file).of("person", "abc")
    file.write_text("short")
    with pytest.raises(KeyProblem, match="at least"):
        ReleaseKey.from_file(file)
