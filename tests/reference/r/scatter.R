# Scatter per surface: survreg with strata(), and Bartlett's test. Writes
# tests/reference/values/scatter.csv. Run from the repository root.
library(survival)
out <- data.frame()
add <- function(name, f) {
  n <- length(coef(f)); se <- sqrt(diag(vcov(f)))
  out <<- rbind(out, data.frame(fit = name, name = c(names(coef(f)), paste0("scale", seq_along(f$scale))),
    estimate = c(coef(f), log(f$scale)), se = se, log_likelihood = f$loglik[2]))
}
ctl <- list(rel.tolerance = 1e-15, maxiter = 300)
d <- read.csv("tests/data/boot_poisons.csv", comment.char = "#")
add("exact", survreg(Surv(time) ~ 0 + treat + factor(poison) + strata(poison), d, dist = "lognormal", control = ctl))
e <- read.csv("tests/data/poisons_censored.csv", comment.char = "#")
lo <- ifelse(e$outcome == "opened_at_contact", NA, e$time); hi <- ifelse(e$outcome == "run_out", NA, e$time)
for (dist in c("lognormal", "weibull"))
  add(paste0("censored_", dist), survreg(Surv(lo, hi, type = "interval2") ~ 0 + treat + factor(poison) + strata(poison), e, dist = dist, control = ctl))
b <- bartlett.test(log(time) ~ factor(poison), d[d$treat == "A", ])
con <- file("tests/reference/values/scatter.csv", "w")
writeLines(paste0("# ", R.version.string, ", survival ", packageVersion("survival"), ", tests/reference/r/scatter.R; bartlett.test of treatment A: K2 = ",
  format(b$statistic, digits = 15), ", p = ", format(b$p.value, digits = 15)), con)
write.csv(format(out, digits = 15), con, row.names = FALSE, quote = FALSE); close(con)
# Bartlett's statistic of the three poisons with variances pooled over the cells of each (12 df apiece).
s2 <- sapply(split(d, d$poison), function(x) sum(residuals(lm(log(time) ~ treat, x))^2) / 12)
K2 <- (36 * log(mean(s2)) - 12 * sum(log(s2))) / (1 + (3 / 12 - 1 / 36) / 6)
cat(sprintf("pooled over cells: K2 = %.12f, p = %.12f\n", K2, pchisq(K2, 2, lower.tail = FALSE)))
