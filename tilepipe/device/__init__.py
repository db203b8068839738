"""Devices: arrays, launches of compiled kernels, exact host arithmetic."""
