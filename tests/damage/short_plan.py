"""A short plan with the same kinds of step as the incoming inspection, and its bench."""

from __future__ import annotations

from typing import Any

STEPS = """
- reset: {times: 10}
- enumerate: {count: 2, families: 0x28, unique: true, match_sockets: true}
- verify: {sockets: all, retries: 1}
- for_each:
    family: 0x28
    steps:
      - read: {quantity: power_supply, wanted: external}
      - configure:
          settings: {resolution_bits: 9, alarm_low_degc: 0, alarm_high_degc: 9}
          store: false
      - read: {quantity: resolution, low: 9, high: 9, unit: bit}
      - read: {quantity: alarm_low, low: 0, high: 0, unit: degC}
- convert: {family: 0x28, power: external}
- for_each:
    family: 0x28
    steps:
      - read: {quantity: temperature, fresh: false, low: 2, high: 6, unit: degC, retries: 2}
- enumerate: {alarm: true, count: 0}
- for_each:
    family: 0x28
    steps:
      - read: {quantity: conversion_time, high: 94, unit: ms}
- stress: {slot: write-0, low_us: {from: 60, to: 120, step: 30}, slots: 40}
- stress: {slot: write-1, low_us: {from: 6, to: 12, step: 3}, slots: 40}
- stress: {slot: read, low_us: {from: 6, to: 9, step: 3}, slots: 40}
"""

DEVICES: list[dict[str, Any]] = [
    {"family": 0x28, "serial": 0xA4B3C2D1, "temperature_degc": 4.2},
    {"family": 0x28, "serial": 0xA4B3C2E7, "temperature_degc": 3.9},
]
"""Invented, as on the demo bench."""
