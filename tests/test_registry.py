"""The registry: things by name, found in a package's modules on first use."""

import sys

import pytest

from mv.registry import Registry


@pytest.fixture
def package(tmp_path, monkeypatch):
    """A package with two modules that register themselves, and none imported yet."""
    room = tmp_path / "a_room_of_things"
    room.mkdir()
    (room / "__init__.py").write_text(
        "from mv.registry import Registry\nTHINGS = Registry('thing', 'a_room_of_things')\n"
    )
    for name in ("second", "first"):
        (room / f"{name}.py").write_text(
            "from a_room_of_things import THINGS\n"
            f"@THINGS.register('{name}')\ndef made():\n    return '{name}'\n"
        )
    monkeypatch.syspath_prepend(str(tmp_path))
    import a_room_of_things

    yield a_room_of_things.THINGS
    for module in [m for m in sys.modules if m.startswith("a_room_of_things")]:
        del sys.modules[module]


def test_modules_are_imported_on_first_use_and_not_before(package):
    assert "a_room_of_things.first" not in sys.modules
    assert package.names() == ["first", "second"]
    assert package["second"]() == "second"
    assert len(package) == 2
    assert "first" in package
    assert "third" not in package
    assert [thing() for thing in package] == ["first", "second"]


def test_an_unknown_name_is_answered_with_the_known_ones(package):
    with pytest.raises(KeyError) as refusal:
        package["third"]
    assert refusal.value.args == ("no thing is called 'third'; there are: first, second",)


def test_two_things_of_one_name_are_refused_and_the_same_thing_twice_is_not():
    things = Registry("chart", "json")
    first = object()
    assert things.add("signature", first) is first
    assert things.add("signature", first) is first
    with pytest.raises(ValueError, match="two of kind chart are called 'signature'"):
        things.add("signature", object())
