"""Writes campaign_200.csv: 10 materials x 4 surfaces x 5 specimens, log-normal, a quarter run out.

The same small campaign for every peer and for benches/bootstrap.rs. numpy, fixed seed.
"""
import numpy as np

rng = np.random.default_rng(7)
durability = rng.normal(1.0, 0.8, 10)
log_k = np.array([0.0, 0.9, 0.5, 1.1])
rows = ["# simulated by benches/peers/make_campaign.py; no real material or surface",
        "trial_id,surface,material,abrasion_time_s,outcome"]
for m in range(10):
    for s in range(4):
        limit = np.exp(durability[m] - log_k[s] + 0.2 * 0.67)  # about the third quartile
        for i in range(5):
            t = np.exp(durability[m] - log_k[s] + 0.2 * rng.normal())
            out = "run_out" if t > limit else "perforated"
            rows.append(f"m{m}s{s}r{i},s{s},m{m},{min(t, limit):.4f},{out}")
open("campaign_200.csv", "w").write("\n".join(rows) + "\n")
