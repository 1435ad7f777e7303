# Covariance of cell locations through the common scale: the censored poisons, one location a cell, log-normal.
# Cells without an exact time (all censored on one side) have none and are left out. Run from the repository root; the
# values stand in src/severity/cell_means.rs.
suppressMessages(library(survival)); options(digits = 13)
d <- read.csv("tests/data/poisons_censored.csv", comment.char = "#")
d$cell <- paste(d$treat, d$poison)
keep <- with(d, tapply(outcome == "perforated", cell, any) | (tapply(outcome == "run_out", cell, any) & tapply(outcome == "opened_at_contact", cell, any)))
d <- d[keep[d$cell], ]
lo <- ifelse(d$outcome == "opened_at_contact", NA, d$time); hi <- ifelse(d$outcome == "run_out", NA, d$time)
f <- survreg(Surv(lo, hi, type = "interval2") ~ 0 + cell, d, dist = "lognormal",
             control = survreg.control(rel.tolerance = 1e-14, maxiter = 200))
print(table(d$cell, d$outcome)); print(coef(f)); v <- vcov(f); print(v[, c("cellA 1", "cellC 1", "cellB 3")])
cat(R.version.string, "survival", as.character(packageVersion("survival")), "\n")
