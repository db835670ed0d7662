"""The glossary is whole, and the report keeps to it."""

from mv.glossary import GLOSSARY


def test_terms_are_told_once_in_one_sentence_with_a_source():
    terms = [t.term for t in GLOSSARY]
    assert len(terms) == len(set(terms))
    for t in GLOSSARY:
        assert t.sentence.endswith(".")
        assert t.sentence[0].isupper()
        assert t.source


def test_words_of_the_trade_are_there():
    terms = {t.term for t in GLOSSARY}
    assert {
        "baseline period", "reporting period", "installation period", "adjusted baseline",
        "avoided energy", "normalised savings", "measurement boundary", "static factor",
        "non-routine event", "non-routine adjustment", "operating day", "change point",
        "balance point", "degree day", "CV(RMSE)", "NMBE", "R²", "fractional savings uncertainty",
        "realisation rate", "coincidence factor", "interactive factor", "hours of use",
        "simple payback", "savings-to-investment ratio", "rate",
    } <= terms  # fmt: skip
