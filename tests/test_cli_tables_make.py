"""``fullpoint tables make``: what is solved, kept, listed and refused."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from convert.cli import cli, main
from convert.review.practice import most_met
from tablebases.solver import Store


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where classes are kept, in a cache folder of the test's own."""
    monkeypatch.setattr("platformdirs.user_cache_path", lambda *_, **__: tmp_path / "cache")
    return tmp_path / "cache" / "classes"


def run(*arguments: str) -> Result:
    return CliRunner().invoke(cli, ["tables", *arguments], standalone_mode=False)


def failure(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    """The one line of an error; the exit code must be 2."""
    with pytest.raises(SystemExit) as leaving:
        main(["tables", *arguments])
    assert leaving.value.code == 2
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 1
    return lines[0]


def test_a_class_is_made_kept_and_listed(folder: Path) -> None:
    result = run("make", "KvKR")
    assert result.exception is None
    assert result.stdout.startswith("KRvK: 399,112 positions in ")
    assert "longest win 31 plies to a capture, pawn move or mate" in result.stdout
    assert f" kB in {folder}" in result.stdout
    facts = json.loads((folder / "KRvK.json").read_text(encoding="utf-8"))
    assert facts["name"] == "KRvK"
    assert facts["positions"] == 399_112
    assert facts["plies"] == 31
    assert facts["bytes"] == Store(folder).size() > 0
    assert len(list(folder.glob("*.slice"))) == 2
    assert not [path for path in folder.iterdir() if path.name.startswith(".")]
    listed = run().stdout
    assert "made by the solver (1): KRvK" in listed
    assert str(folder) in listed


def test_a_class_is_not_made_twice_unless_forced(folder: Path) -> None:
    run("make", "KRvK")
    before = (folder / "KRvK.json").stat().st_mtime_ns
    again = run("make", "KRvK")
    assert "made already" in again.stdout
    assert (folder / "KRvK.json").stat().st_mtime_ns == before
    forced = run("make", "KRvK", "--force", "--threads", "1", "--memory", "1")
    assert "399,112 positions" in forced.stdout
    assert (folder / "KRvK.json").stat().st_mtime_ns > before


def test_what_had_to_make_way_is_no_longer_listed(folder: Path) -> None:
    run("make", "KRvK")
    next(folder.glob("*.slice")).unlink()
    result = run("make", "KQvK")
    assert "KRvK had to make way; --limit allows 20 GB" in result.stderr
    assert "made by the solver (1): KQvK" in run().stdout
    assert not (folder / "KRvK.json").exists()


def test_nothing_made_nothing_listed(folder: Path) -> None:
    assert "made by the solver" not in run().stdout
    folder.mkdir(parents=True)
    (folder / "KRvK.json").write_text("{", encoding="utf-8")
    (folder / "KQvK.json").write_text("[1]", encoding="utf-8")
    assert "made by the solver" not in run().stdout


@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize("name", ["KRv", "krvk", "rook", "KvK", "../KRvK"])
def test_bad_names(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert failure(capsys, "make", name) == (
        f"fullpoint: error: {name}: not the name of a class of material such as KRPvKN"
    )


def test_too_large_for_the_memory(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    line = failure(capsys, "make", "KRPvKN", "--memory", "0.05")
    assert line.startswith("fullpoint: error: KRPvKN would take ")
    assert line.endswith("0.05 GB are allowed")
    assert not folder.exists()


def test_out_of_time(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    line = failure(capsys, "make", "KPvKP", "--seconds", "0.001")
    assert "KPvKP was not finished" in line
    assert not (folder / "KPvKP.json").exists()


def test_no_room_on_disk(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    line = failure(capsys, "make", "KPvK", "--limit", "0.00002")
    assert "no room to keep it within 2e-05 GB" in line
    assert not (folder / "KPvK.json").exists()


def test_the_classes_met_most_often(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """By the counts that ship; here of three men, and those that are made already are left out."""
    monkeypatch.setattr("convert.cli.tables.COMMON_MEN", 3)
    monkeypatch.setattr("convert.cli.tables.COMMON", 2)
    met = dict(most_met(3, 2))
    assert len(met) == 2
    first, second = met
    assert met[first] >= met[second] > 0
    result = run("make", "--common", "--threads", "1")
    assert result.exception is None
    lines = result.stdout.splitlines()
    assert [line.partition(":")[0] for line in lines[:3]] == [first, second, "all"]
    assert {path.stem for path in folder.glob("*.json")} == {first, second}
    again = run("make", "--common").stdout
    assert again.count("made already") == 2


def test_five_men_met_most_often() -> None:
    assert most_met(5, 1)[0][0] == "KRPvKR"
    assert all(name.count("K") == 2 and len(name) == 6 for name, _ in most_met(5, 8))


@pytest.mark.parametrize("arguments", [("make",), ("make", "KRvK", "--common")])
def test_a_name_or_the_common_ones(
    folder: Path, capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...]
) -> None:
    assert "or --common" in failure(capsys, *arguments)
