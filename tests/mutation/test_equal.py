"""The list of mutants judged equal in effect is about lines that are there (`mutate.py --package` tries the rest)."""

from packages import ROOT, judged


def test_each_mutant_judged_equal_is_of_a_line_of_its_file_and_says_why() -> None:
    for entry in judged():
        text = (ROOT / "daemon" / "gatehand" / entry.file).read_text(encoding="utf-8")
        assert "".join(entry.was.split()) in "".join(text.split()), f"{entry.file} no longer says {entry.was}"
        assert entry.was != entry.now
        assert len(entry.because) > len("equal"), f"{entry.file}: {entry.was} -> {entry.now}: and why?"


def test_no_mutant_is_judged_twice() -> None:
    changes = [entry.change for entry in judged()]
    assert len(changes) == len(set(changes))
