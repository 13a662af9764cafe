"""How a film answers to stretch: elastic, wrinkled, drawn one way and both ways."""

import numpy as np
import pytest

from plyflat.bag._film_law import Elastic

STIFF, POISSON, YIELD, HARDENS = 40.0, 0.4, 2.0, 3.0


def energy(first, second, yields=YIELD, hardens=HARDENS, turns=400):
    """Energy per area the slow way: the least over what is drawn and what is taken up by wrinkles, each in turn."""
    k, nu = STIFF / (1 - POISSON**2), POISSON
    d1, d2, w1, w2 = (np.zeros_like(first) for _ in range(4))

    def left():
        return first - 1 - d1 + w1, second - 1 - d2 + w2

    for _ in range(turns):
        a, b = left()
        d1 = np.maximum((k * (a + d1 + nu * b) - yields) / (k + hardens), 0)
        a, b = left()
        d2 = np.maximum((k * (b + d2 + nu * a) - yields) / (k + hardens), 0)
        a, b = left()
        w1 = np.maximum(-(a - w1 + nu * b), 0)
        a, b = left()
        w2 = np.maximum(-(b - w2 + nu * a), 0)
    a, b = left()
    drawn = yields * (d1 + d2) + 0.5 * hardens * (d1**2 + d2**2)
    return 0.5 * k * (a * a + b * b + 2 * nu * a * b) + drawn


def stretches(count=400, seed=2):
    rng = np.random.default_rng(seed)
    first = rng.uniform(0.8, 1.6, count)
    return first, np.where(
        rng.random(count) < 0.5, rng.uniform(0.7, 1.0, count) * first, rng.uniform(0.98, 1.0, count) * first
    )


@pytest.mark.parametrize("hardens", [0.0, HARDENS])
def test_tensions_are_the_slopes_of_one_energy(hardens):
    first, second = stretches()
    law = Elastic(STIFF, POISSON, 0.0, YIELD, hardens)
    pull = law.pull(first, second)
    both, lone = pull.second > YIELD * (1 - 1e-9), (pull.first > YIELD * (1 - 1e-9)) & (pull.second == 0)
    # Every way of being stretched is there.
    assert (
        min(both.sum(), lone.sum(), ((pull.first < YIELD) & (pull.second > 0)).sum(), (pull.first == 0).sum())
        > 5
    )
    h = 1e-5
    t1 = (energy(first + h, second, hardens=hardens) - energy(first - h, second, hardens=hardens)) / (2 * h)
    t2 = (energy(first, second + h, hardens=hardens) - energy(first, second - h, hardens=hardens)) / (2 * h)
    assert np.allclose(pull.first, t1, atol=2e-3)
    assert np.allclose(pull.second, t2, atol=2e-3)
    if hardens == 0:
        assert pull.first.max() <= YIELD * (1 + 1e-12)
        assert pull.second.max() <= YIELD * (1 + 1e-12)


@pytest.mark.parametrize("hardens", [0.0, HARDENS])
def test_second_slopes_are_those_of_the_tensions(hardens):
    first, second = stretches(seed=4)
    law = Elastic(STIFF, POISSON, 0.0, YIELD, hardens)
    h = 1e-7
    here = law.pull(first, second)
    one = [law.pull(first + s * h, second) for s in (-1, 1)]
    two = [law.pull(first, second + s * h) for s in (-1, 1)]
    # No difference is taken across a change of state.
    calm = np.all([np.isclose(q.d11, here.d11) & np.isclose(q.d22, here.d22) for q in one + two], axis=0)
    assert calm.mean() > 0.99
    for slope, (low, high), name in (
        (here.d11, one, "first"), (here.d12, one, "second"), (here.d12, two, "first"), (here.d22, two, "second"),
    ):  # fmt: skip
        found = (getattr(high, name) - getattr(low, name)) / (2 * h)
        assert np.allclose(found[calm], slope[calm], atol=1e-4)
    # Convex: no second slope below nought, whichever way.
    assert (here.d11 >= 0).all()
    assert (here.d11 * here.d22 - here.d12**2 >= -1e-9).all()


def test_drawn_one_way_it_follows_its_hardening():
    law = Elastic(STIFF, POISSON, 0.0, YIELD, HARDENS)
    # In series: the elastic part and the drawn part bear the same tension.
    stretch = np.array([1.04, 1.05, 1.5])
    pull = law.pull(stretch, np.full(3, 0.5))
    beyond = np.maximum(stretch - 1 - YIELD / STIFF, 0)
    series = STIFF * HARDENS / (STIFF + HARDENS)
    assert pull.first == pytest.approx(np.where(beyond > 0, YIELD + series * beyond, STIFF * (stretch - 1)))
    assert (pull.second == 0).all()


def test_a_film_that_never_draws_is_the_elastic_one():
    first, second = stretches(seed=5)
    plain, far = Elastic(STIFF, POISSON, 0.2), Elastic(STIFF, POISSON, 0.2, 1e9, 1.0)
    for name in ("first", "second", "d11", "d12", "d22"):
        assert np.array_equal(
            getattr(plain.pull(first, second), name), getattr(far.pull(first, second), name)
        ), name
