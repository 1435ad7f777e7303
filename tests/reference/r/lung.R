# Writes tests/data/survival_lung.csv and tests/reference/values/{lung,gehan,motors}.csv: survreg fits
# in three distributions. Run from the repository root.
library(survival)
d <- lung[complete.cases(lung[, c("time", "status", "age", "sex", "ph.karno")]), c("time", "status", "age", "sex", "ph.karno")]
con <- file("tests/data/survival_lung.csv", "w")
writeLines("# NCCTG lung cancer trial, Loprinzi et al. 1994; R package survival (lung), the 227 rows complete in these columns; time days, status 2 = died, 1 = right-censored", con)
write.csv(d, con, row.names = FALSE, quote = FALSE); close(con)
head <- paste0("# ", R.version.string, ", survival ", packageVersion("survival"), ", tests/reference/r/lung.R")
fits <- function(formula, data, name) {
  out <- data.frame()
  for (dist in c("lognormal", "weibull", "loglogistic")) {
    f <- survreg(formula, data, dist = dist, control = list(rel.tolerance = 1e-15, maxiter = 200))
    out <- rbind(out, data.frame(distribution = dist, estimate = c(coef(f), log(f$scale)), se = sqrt(diag(vcov(f))), log_likelihood = f$loglik[2]))
  }
  con <- file(file.path("tests/reference/values", name), "w"); writeLines(head, con)
  write.csv(format(out, digits = 15), con, row.names = FALSE, quote = FALSE); close(con)
}
fits(Surv(time, status == 2) ~ age + sex + ph.karno, d, "lung.csv")
g <- read.csv("tests/data/mass_gehan.csv", comment.char = "#")
fits(Surv(time, cens) ~ I(treat == "control"), g, "gehan.csv")
m <- read.csv("tests/data/mass_motors.csv", comment.char = "#")
fits(Surv(time, cens) ~ temp, m, "motors.csv")
