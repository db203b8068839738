"""The self-test: all variants agree on awkward numbers, and it notices what it is there for."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pytest

import tilepipe.run.execute  # declares the kernels, with examples of their parameters  # noqa: F401
from tilepipe.device import native, selftest
from tilepipe.device.cpu import CpuDevice
from tilepipe.device.kernel import Kernel, PlaneArgument

BASIC = ("selftest_float", "selftest_double", "selftest_exact_float", "selftest_block", "selftest_sums")


@pytest.fixture(scope="module")
def digests() -> dict[str, dict[str, str]]:
    return {variant: selftest.variant_digests(variant) for variant in native.built_variants()}


def test_every_kernel_that_runs_pixel_by_pixel_has_a_digest(digests: dict[str, dict[str, str]]):
    texts = native.header_texts().values()
    registered = {name for text in texts for name in re.findall(r"(?m)^(?:KERNEL|SPARSE|TALLY)\((\w+)\)", text)} - {"K"}
    for found in digests.values():
        assert set(found) == registered | {"exact functions"}
        assert all(re.fullmatch("[0-9a-f]{32}", digest) for digest in found.values())


def test_all_variants_give_the_same_bits(digests: dict[str, dict[str, str]]):
    first = digests[native.built_variants()[0]]
    for variant, found in digests.items():
        assert {name for name in first if found[name] != first[name]} == set(), variant


def test_digests_tell_kernels_apart(digests: dict[str, dict[str, str]]):
    found = digests[native.built_variants()[0]]
    assert len(set(found.values())) == len(found)


# ---------------------------------------------------------------- numbers
@pytest.mark.parametrize("dtype", ["float32", "float64"])
def test_awkward_numbers_hold_what_they_should(dtype: str):
    made = selftest.values(60_000, dtype, "seed", "awkward 1")
    about = np.finfo(dtype)
    assert np.isfinite(made).all()
    size = np.abs(made)
    assert ((size > 0) & (size < about.tiny)).sum() > 100, "subnormals"
    assert (size == about.max).any()
    assert ((made == 0) & np.signbit(made)).any()
    assert ((made == 0) & ~np.signbit(made)).any()
    assert (np.abs(size - np.floor(size) - 0.5) == 0).sum() > 1000, "halves for rounding"
    assert ((made > 0) & (made < 1)).mean() > 0.3


@pytest.mark.parametrize("dtype", ["uint8", "uint16", "int32", "int64"])
def test_whole_numbers_fill_their_range(dtype: str):
    plain = selftest.values(60_000, dtype, "seed", "ordinary 1")
    assert plain.dtype == dtype
    assert plain.max() == min(4095, np.iinfo(dtype).max)
    assert selftest.values(60_000, dtype, "seed", "awkward 1").max() > (4095 if dtype != "uint8" else 250)
    assert (selftest.values(60_000, dtype, "seed", "sparse 1") <= 1).mean() > 0.45


def test_numbers_depend_on_their_seed_alone():
    first, again, other = (selftest.values(1000, "float32", seed, "awkward 1") for seed in ("a", "a", "b"))
    assert (first.view(np.uint32) == again.view(np.uint32)).all()
    assert (first.view(np.uint32) != other.view(np.uint32)).mean() > 0.9
    assert int(selftest.hashed(1, "a")[0]) != int(selftest.hashed(1, "b")[0])


# ---------------------------------------------------------------- what it notices
class Faulty:
    """The CPU as a device with a fault: `change` is applied to every result."""

    def __init__(self, change: Any) -> None:
        self.device, self.change = CpuDevice(), change
        for name in ("empty", "zeros", "plane", "upload", "tally"):
            setattr(self, name, getattr(self.device, name))

    def launch(
        self, kernel: Kernel, ins: Sequence[PlaneArgument], outs: Sequence[PlaneArgument], **params: Mapping[str, Any]
    ) -> None:
        self.device.launch(kernel, ins, outs, **params)

    def download(self, array: Any) -> Any:
        made = np.array(array)
        return self.change(made) if made.dtype.kind == "f" else made


def flushed(array: Any) -> Any:
    return np.where(np.abs(array) < np.finfo(array.dtype).tiny, array.dtype.type(0), array)


def unsigned_zero(array: Any) -> Any:
    return array + array.dtype.type(0)


def last_place(array: Any) -> Any:
    first = array.reshape(-1)[:1]
    first[:] = np.nextafter(first, array.dtype.type(2))
    return array


@pytest.mark.parametrize("change", [flushed, unsigned_zero, last_place])
def test_a_device_with_a_fault_is_found_by_the_first_kernels(change: Any):
    assert "selftest_float" in selftest.differing(Faulty(change), first_only=True)


def test_a_sound_device_differs_nowhere():
    assert selftest.differing(Faulty(lambda array: array), first_only=True) == []


def test_a_nan_is_one_nan_whatever_its_bits():
    made = np.array([0x7FC00000, 0xFFC00000, 0x7F800001], np.uint32).view(np.float32)
    assert len({selftest._canonical(made[index : index + 1]) for index in range(3)}) == 1


def test_an_example_takes_the_place_of_made_up_parameters():
    kernel = Kernel("mix_planes", 2, 1, params="float strength;", example={"strength": 0.25}, declared=False)
    assert selftest.Case(CpuDevice(), kernel, "ordinary 1").params() == {"strength": 0.25}
    assert selftest.Case(CpuDevice(), kernel, "ordinary 3").params() != {"strength": 0.25}
