"""Numbers read straight from bytes: the same, to the last bit, as the library's own cast of the same text."""

import random

import numpy as np
import polars as pl
import pytest

from pipeline.ingest.medians import KEPT_AS_THEY_COME, Median
from pipeline.ingest.numbers import BLANK, READ, UNREADABLE, read_digits, read_numbers
from pipeline.ingest.scan import COMMA, Text

BY_HAND = (
    *("", ".", "-", "-.", "5.", ".5", "-0", "0", "-0.0", "+5", "nan", "inf", "-inf", "1e5", "1E-3", "0x10", "1_000"),
    *(
        "9007199254740993",
        "9007199254740991",
        "1234567.12345678",
        "12345678.1234567",
        "  12 ",
        "1 2",
        " ",
        "..",
        "1.2.3",
    ),
    *(
        "1.5.",
        "12345678.",
        ".12345678",
        "123456789.1234567",
        "00000000.0000001",
        "1-2",
        "--1",
        "12/3",
        "1:2",
        "4453.7793",
    ),
)


def written(seed: int) -> list[str]:
    """Numbers of all lengths, and what looks like them."""
    dice = random.Random(seed)
    out = []
    for _ in range(20_000):
        if dice.random() < 0.7:
            text = "".join(dice.choices("0123456789", k=dice.randint(0, 9)))
            if dice.random() < 0.7:
                text += "." + "".join(dice.choices("0123456789", k=dice.randint(0, 9)))
            out.append("-" + text if dice.random() < 0.3 else text)
        else:
            out.append("".join(dice.choices("0123456789.-+e /:AN", k=dice.randint(0, 18))))
    return out


def places(texts: list[str]) -> tuple[Text, np.ndarray, np.ndarray]:
    text = Text.of(",".join(texts).encode())
    commas = text.find(COMMA)
    return text, np.concatenate([[0], commas + 1]), np.concatenate([commas, [text.length]])


@pytest.mark.parametrize("texts", [list(BY_HAND), written(1), written(2)])
def test_numbers_are_what_the_library_reads(texts: list[str]) -> None:
    value, state = read_numbers(*places(texts))
    bare = pl.Series(texts).str.strip_chars(" ")
    expected = bare.cast(pl.Float64, strict=False)
    finite = expected.is_finite().fill_null(False).to_numpy()
    blank = (bare == "").to_numpy()
    assert (state == np.where(finite, READ, np.where(blank, BLANK, UNREADABLE))).all()
    assert (value[finite].view(np.int64) == expected.to_numpy()[finite].view(np.int64)).all()
    assert np.isnan(value[~finite]).all()
    assert finite.sum() > len(texts) / 3


def test_a_field_that_ends_ahead_of_its_start_is_blank() -> None:
    value, state = read_numbers(Text.of(b"12,34"), np.array([0, 6]), np.array([2, 5]))
    assert value[0] == 12.0
    assert state.tolist() == [READ, BLANK]


def test_digits_of_a_given_number() -> None:
    text, start, end = places(["120000", "12a000", "7", "99999999", "-5", "1.5"])
    number, fine = read_digits(text, start, end - start)
    assert fine.tolist() == [True, False, True, True, False, False]
    assert number[fine].tolist() == [120000, 7, 99999999]


@pytest.mark.parametrize("runs", [1, 3, 50])
def test_medians_do_not_depend_on_the_runs(runs: int) -> None:
    random = np.random.default_rng(4)
    for n in (1, 2, 7, 1000, KEPT_AS_THEY_COME + 5, 3 * KEPT_AS_THEY_COME):
        numbers = random.integers(0, 10_000, n)
        median = Median()
        for run in np.array_split(numbers, runs):
            median.add(run)
        assert median.value() == np.median(numbers)
