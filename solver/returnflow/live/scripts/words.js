"use strict";
// Numbers in words, as the program's reports spell them.

const PREFIXES = ["p", "n", "µ", "m", "", "k", "M", "G"];

/** A quantity with three digits and a prefix: 3.24e-4 V is "324 µV"; `toward` -1 or 1: never above or never below what it is. */
function engineering(value, unit, toward = 0) {
  if (value === 0) return `0 ${unit}`;
  if (!Number.isFinite(value)) return `∞ ${unit}`;
  let power = Math.floor(Math.log10(Math.abs(value)) / 3);
  if (Number(Math.abs(value / 1000 ** power).toPrecision(3)) >= 1000) power++;
  power = Math.max(-4, Math.min(3, power));
  let shown = Number((value / 1000 ** power).toPrecision(3));
  const off = toward * (value / 1000 ** power - shown);
  if (off > 1e-9 * Math.abs(shown)) shown += toward * 10 ** (Math.floor(Math.log10(Math.abs(value / 1000 ** power))) - 2);
  const digits = Math.max(0, 2 - Math.floor(Math.log10(Math.abs(shown) || 1)));
  return `${shown.toFixed(Math.min(digits, 6))} ${PREFIXES[power + 4]}${unit}`.replace("-", "−");
}

/** A part in per cent; what is more than nothing and less than all never reads as 0 or 100. */
function percent(part) {
  const value = 100 * Math.abs(part);
  if (value === 0) return "0 %";
  if (value < 0.1) return "< 0.1 %";
  if (value > 99.9 && value < 100 - 1e-7) return "> 99.9 %";
  return `${value < 10 ? value.toFixed(1) : value.toFixed(0)} %`;
}

function decibels(volts, limit) {
  return volts > 0 ? 20 * Math.log10(limit / volts) : Infinity;
}

/** Margin against a limit in words. */
function verdict(volts, limit) {
  const margin = decibels(volts, limit), unit = engineering(limit, "V");
  if (margin === Infinity) return `limit ${unit}: no noise`;
  return margin >= 0 ? `limit ${unit}: ${margin.toFixed(1)} dB margin` : `limit ${unit}: ${(-margin).toFixed(1)} dB over the limit`;
}
