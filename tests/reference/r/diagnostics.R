# Hat values and Cook's distances of the additive log fit of the poisons table (lm), and quantiles
# with standard errors of the censored one (survreg). Writes tests/reference/values/{hat_cook,
# survreg_quantiles,interval_censored}.csv. Run from the repository root.
library(survival)
head <- paste0("# ", R.version.string, ", survival ", packageVersion("survival"), ", tests/reference/r/diagnostics.R")
put <- function(d, name, extra = "") {
  con <- file(file.path("tests/reference/values", name), "w")
  writeLines(paste0(head, extra), con)
  write.csv(format(d, digits = 15), con, row.names = FALSE, quote = FALSE)
  close(con)
}
d <- read.csv("tests/data/boot_poisons.csv", comment.char = "#")
f <- lm(log(time) ~ factor(poison) + treat, d)
put(data.frame(hat = hatvalues(f), cook = cooks.distance(f), standardised = residuals(f) / summary(f)$sigma), "hat_cook.csv")

d <- read.csv("tests/data/poisons_censored.csv", comment.char = "#")
lo <- ifelse(d$outcome == "opened_at_contact", NA, d$time); hi <- ifelse(d$outcome == "run_out", NA, d$time)
out <- data.frame()
for (dist in c("lognormal", "weibull", "loglogistic")) {
  f <- survreg(Surv(lo, hi, type = "interval2") ~ 0 + treat + factor(poison), d, dist = dist, control = list(rel.tolerance = 1e-14, maxiter = 100))
  nd <- expand.grid(treat = c("A", "D"), poison = c(1, 3))
  for (p in c(0.1, 0.5, 0.95)) {
    q <- predict(f, nd, type = "uquantile", p = p, se.fit = TRUE)
    out <- rbind(out, data.frame(distribution = dist, treat = nd$treat, poison = nd$poison, p = p, log_quantile = q$fit, se = q$se.fit))
  }
}
put(out, "survreg_quantiles.csv")

# Interval censoring: the clock read in steps of 0.1, so each time lies between two readings.
d <- read.csv("tests/data/boot_poisons.csv", comment.char = "#")
lo <- floor(d$time * 10 + 1e-9) / 10; hi <- lo + 0.1
out <- data.frame()
for (dist in c("lognormal", "weibull", "loglogistic")) {
  f <- survreg(Surv(lo, hi, type = "interval2") ~ 0 + treat + factor(poison), d, dist = dist, control = list(rel.tolerance = 1e-15, maxiter = 100))
  out <- rbind(out, data.frame(distribution = dist, name = c(names(coef(f)), "log_sigma"), estimate = c(coef(f), log(f$scale)),
    se = sqrt(diag(vcov(f))), log_likelihood = f$loglik[2]))
}
put(out, "interval_censored.csv")
