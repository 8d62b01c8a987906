"""What a spot-check's sample proves where folders close while it is read."""

from __future__ import annotations

from contextlib import closing
from fractions import Fraction
from pathlib import Path

import pytest
from test_ledger import SOURCE, VAULT, file, walked

from verifier import settings
from verifier.jobs.spot_check import By, Request, Sample, population_of
from verifier.jobs.spot_check.tally import Bound, Hidden, Tally
from verifier.ledger import Ledger
from verifier.sampling import most_bad

CONFIDENCE = Fraction(19, 20)
SEEN, HIDDEN = 30, 10


@pytest.fixture
def request_of(tmp_path: Path) -> Request:
    """For twenty of forty files, ten of which lie in a folder that will close."""
    named = tmp_path / "settings.toml"
    named.write_text(
        f'[studio]\ntimezone = "UTC"\nledger = "{tmp_path}/l.db"\nreports = "{tmp_path}/r"\n'
        f'[[share]]\nname = "{SOURCE.share}"\nsource = "{tmp_path}/bench"\n'
        f'[[share.mirror]]\nname = "vault"\nat = "{tmp_path}/vault"\n'
    )
    return Request(settings.load(named), SOURCE.share, 4, CONFIDENCE, Fraction(1, 10))


def tallied(ledger: Ledger, request: Request, closes_after: int) -> tuple[Bound, list[bytes]]:
    """Every file of the sample is good, where its folder has not closed before its turn."""
    walked(
        ledger,
        SOURCE,
        [
            *(file(f"flights/{number:02}.jpg") for number in range(SEEN)),
            *(file(f"orthos/{number:02}.tif") for number in range(HIDDEN)),
        ],
    )

    def hides(path: bytes) -> bool:
        return path.startswith(b"orthos/")

    population = population_of(request, ledger)
    with closing(Sample(request, ledger, population)) as sample, closing(Tally(request)) as tally:
        units = list(sample)
        for unit in units:
            tally.finish(unit, (), unseen=hides(unit.path) and unit.number >= closes_after)
        hidden = Hidden((("vault", b"orthos"),), HIDDEN, 1_000 * HIDDEN)
        bound = tally.bound(sample, [VAULT], hidden, hides)
    return bound, [unit.path for unit in units]


# Fails where a file counts as seen because it was read before its folder closed.
@pytest.mark.parametrize("closes_after", [0, 10, 40])
def test_a_folder_that_closes_is_left_out_as_a_whole_whenever_it_closed(
    ledger: Ledger, request_of: Request, closes_after: int
) -> None:
    bound, drawn = tallied(ledger, request_of, closes_after)
    seen = sum(path.startswith(b"flights/") for path in drawn)
    late = sum(path.startswith(b"orthos/") for path in drawn[closes_after:])
    assert 0 < seen < len(drawn) < SEEN + HIDDEN
    assert (bound.of, bound.drawn, bound.sample.files) == (SEEN, seen, seen)
    assert bound.most_bad == most_bad(SEEN, seen, 0, CONFIDENCE)
    assert bound.hidden.drawn == late


def test_by_bytes_the_bytes_below_a_folder_that_closed_are_left_out(
    ledger: Ledger, request_of: Request
) -> None:
    request = Request(
        request_of.settings, SOURCE.share, 4, CONFIDENCE, Fraction(1, 10), by=By.BYTES
    )
    bound, drawn = tallied(ledger, request, 0)
    seen = sum(path.startswith(b"flights/") for path in drawn)
    assert bound.of == 1_000 * SEEN
    assert bound.sample.bytes == 1_000 * seen and bound.drawn > 0
    assert bound.most_bad <= bound.of - bound.sample.bytes
    assert bound.hidden.drawn == len(drawn) - seen
