"""Runs the severity study and reads its documents into pandas data frames.

    python examples/notebooks/read_results.py [arguments of severity_study]

Needs Python 3.9 or later with pandas, and cargo. Without arguments the study runs on data-demo.
Made to be copied: each frame is one short function.
"""

import json
import subprocess
import sys
import tempfile
from pathlib import Path

import pandas as pd

ROOT = Path(__file__).resolve().parents[2]


def run(arguments, out):
    command = ["cargo", "run", "--quiet", "--release", "--features", "program", "--", *arguments, "--out", str(out)]
    subprocess.run(command, cwd=ROOT, check=True, stdout=subprocess.DEVNULL)


def load(path, kind):
    """A document of the wrong kind or version is refused, not guessed at."""
    document = json.loads(Path(path).read_text(encoding="utf-8"))
    wanted = f"surface-severity/{kind}/1"
    if document["schema"] != wanted:
        raise ValueError(f"{path}: expected {wanted}, found {document['schema']}")
    return document


def estimate(value, prefix):
    """An interval, a bound or nothing, as columns; a bound never turns into an estimate."""
    if "estimate" in value:
        return {prefix: value["estimate"], f"{prefix}_lower": value["lower"], f"{prefix}_upper": value["upper"]}
    if "side" in value:
        return {f"{prefix}_{value['side']}": value["value"]}
    return {f"{prefix}_not_estimable": value["not_estimable"]}


def factors(severity):
    rows = [{**{k: row[k] for k in ("surface", "role", "trials", "materials")}, **estimate(row["factor"], "factor")}
            for row in severity["factors"]]
    return pd.DataFrame(rows).set_index("surface")


def durabilities(severity):
    rows = [{"material": row["material"], "class": row["class"], **estimate(row["durability_s"], "durability_s")}
            for row in severity["materials"]]
    return pd.DataFrame(rows).set_index("material")


def flagged(screening):
    rows = [{k: v[k] for k in ("trial_id", "material", "surface", "abrasion_time_s", "outcome", "reason")}
            for v in screening["verdicts"] if v["flagged"]]
    return pd.DataFrame(rows)


def influence(screening, quantity="correction", left_out="material"):
    """Change of each factor in per cent, one trial, material, day or cell left out; correction or abrasiveness factors."""
    tables = [t for t in screening["most_influential"] if t["left_out"] == left_out and quantity in t["quantity"]]
    return pd.concat([pd.DataFrame([row["change_percent"] for row in t["rows"]], columns=t["surfaces"],
                                   index=[row["name"] for row in t["rows"]]) for t in tables]) if tables else pd.DataFrame()


def corrections(correction):
    rows = [{"surface": row["surface"], "form": row["form"], "slope": row["slope"],
             "intrinsic_log_scatter": row["intrinsic_log_scatter"],
             "shortest_laboratory_time_s": row["domain"]["shortest_laboratory_time_s"],
             "longest_laboratory_time_s": row["domain"]["longest_laboratory_time_s"],
             **estimate(row["factor"], "factor")} for row in correction["corrections"]]
    return pd.DataFrame(rows).set_index("surface")


def main():
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder)
        run(sys.argv[1:], out)
        severity = load(out / "severity.json", "severity")
        screening = load(out / "screening.json", "screening")
        frames = {"Factors": factors(severity), "Durabilities": durabilities(severity), "Flagged trials": flagged(screening),
                  "Change of correction factors without each material, %": influence(screening)}
        if (out / "correction.json").exists():
            frames["Corrections"] = corrections(load(out / "correction.json", "correction"))
        if (out / "corrected_reports.csv").exists():
            frames["Corrected reports"] = pd.read_csv(out / "corrected_reports.csv")
    for name, frame in frames.items():
        print(f"\n{name}\n{frame.to_string(max_rows=12, max_colwidth=48, line_width=132)}")
    reference = severity["options"]["reference"]
    assert frames["Factors"].loc[reference, "factor"] == 1.0
    assert len(frames["Durabilities"]) == len(severity["materials"])


if __name__ == "__main__":
    main()
