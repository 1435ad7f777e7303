# Peer: 2 000 stratified refits by boot::boot with survival::survreg (formula interface), which also
# computes variances; then the same with survreg.fit on a ready design matrix.
library(survival); library(boot)
d <- read.csv("campaign_200.csv", comment.char = "#")
d$cell <- factor(paste(d$material, d$surface)); d$event <- d$outcome == "perforated"
f <- function(d, i) coef(survreg(Surv(abrasion_time_s, event) ~ 0 + material + surface, d[i, ], dist = "lognormal"))["surfaces1"]
t1 <- system.time(b <- boot(d, f, 2000, strata = d$cell))["elapsed"]
X <- model.matrix(~ 0 + material + surface, d); y <- cbind(log(d$abrasion_time_s), as.numeric(d$event))
full <- survreg(Surv(abrasion_time_s, event) ~ 0 + material + surface, d, dist = "lognormal")
init <- c(coef(full), log(full$scale)); sp <- split(seq_len(nrow(d)), d$cell)
t2 <- system.time(r <- replicate(2000, { i <- unlist(lapply(sp, function(s) s[sample.int(length(s), replace = TRUE)]))
  survreg.fit(X[i, ], y[i, ], NULL, rep(0, nrow(X)), init = init, controlvals = survreg.control(),
    dist = survreg.distributions[["gaussian"]], parms = NULL, nstrat = 1, strata = 0)$coefficients["surfaces1"] }))["elapsed"]
cat(sprintf("boot + survreg %.3f s; survreg.fit on a ready matrix %.3f s\n", t1, t2))
cat(sprintf("log factor of s1: %.6f, percentile 95 %% %.4f to %.4f\n", -b$t0, -quantile(b$t, .975), -quantile(b$t, .025)))
