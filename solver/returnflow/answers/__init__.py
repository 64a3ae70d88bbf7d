"""
What a reviewer asks of solved boards: shares, coupling, noise budgets, crossovers, sweeps, variants compared.

Others import: adding, batch, budget, compare, contours, coupling, enclosure, evaluate, frequency, missing, placing,
processes, radiation, rescale, result, spectra, supplies, sweeps, thresholds, verdict.
"""
