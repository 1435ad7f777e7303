"""Canonical bytes and SHA-256 of a small trial table, from the form documented in the campaign module.

Written from that description alone, with hashlib; the table is given here as values. Run
`python3 campaign_digest.py > campaign_digest.txt`; the digest is pinned in tests/campaign.rs.
"""

import hashlib
from decimal import Decimal

COLUMNS = [
    "trial_id", "surface", "material", "abrasion_time_s", "outcome", "material_class", "surface_role",
    "day", "run", "belt", "speed_m_per_s", "drop_height_mm", "temperature_c", "normal_force_n",
    "specimen_mass_g_per_m2", "thickness_mm", "layers", "note",
]

# Numbers are floats or ints, text is str, absent is absent; other names are covariates.
TRIALS = [
    {
        "trial_id": "T2", "surface": "asphalt", "material": "aramid knit", "abrasion_time_s": 2.5,
        "outcome": "perforated", "surface_role": "road", "day": "d1", "temperature_c": -5.0,
        "drop_height_mm": 0.0, "speed_m_per_s": 8.0, "operator": "Jörg", "angle, °": "15",
    },
    {
        "trial_id": "T10", "surface": "belt", "material": "cowhide, 1.2 mm", "abrasion_time_s": 0.05,
        "outcome": "opened_at_contact", "material_class": "leather", "surface_role": "laboratory",
        "belt": "B7", "thickness_mm": 1.2, "layers": 2, "specimen_mass_g_per_m2": 1234.5,
        "normal_force_n": 1e22,
    },
    {
        "trial_id": "T1", "surface": "belt", "material": "cowhide, 1.2 mm", "outcome": "void",
        "material_class": "leather", "surface_role": "laboratory", "run": "1",
        "note": 'the "wet" part\nslipped',
    },
    {
        "trial_id": "t3", "surface": "asphalt", "material": "cowhide, 1.2 mm",
        "abrasion_time_s": 0.1 + 0.2, "outcome": "run_out", "material_class": "leather",
        "surface_role": "road",
    },
]


def netstring(text):
    data = text.encode("utf-8")
    return str(len(data)).encode() + b":" + data + b","


def scientific(number):
    """Shortest round-trip digits (Python's repr) as d.ddde<exponent>."""
    sign, digits, exponent = Decimal(repr(number)).as_tuple()
    digits = "".join(map(str, digits)).lstrip("0") or "0"
    exponent += len(digits) - 1
    stripped = digits.rstrip("0") or "0"
    if stripped == "0":
        exponent = 0
    mantissa = stripped[0] + ("." + stripped[1:] if len(stripped) > 1 else "")
    return ("-" if sign else "") + mantissa + "e" + str(exponent)


def field(value):
    if value is None:
        return b"-"
    if isinstance(value, float):
        return netstring(scientific(value))
    return netstring(str(value))


def canonical(trials):
    out = b"surface-severity/trial-table/1\n" + str(len(trials)).encode() + b"\n"
    for trial in sorted(trials, key=lambda t: t["trial_id"].encode("utf-8")):
        for column in COLUMNS:
            out += field(trial.get(column))
        covariates = sorted((k.encode("utf-8"), k, v) for k, v in trial.items() if k not in COLUMNS)
        out += str(len(covariates)).encode() + b":"
        for _, name, text in covariates:
            out += netstring(name) + netstring(text)
        out += b"\n"
    return out


data = canonical(TRIALS)
print(hashlib.sha256(data).hexdigest())
print(data.decode("utf-8"), end="")
