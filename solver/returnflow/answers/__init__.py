"""What a reviewer asks of solved boards: shares, coupling, noise budgets, crossovers, sweeps, variants compared."""
