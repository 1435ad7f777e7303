# Means of classes shrunk towards the common one: lme4 on the dyestuff yields, Henderson's equations for the prediction
# error of a batch, and metafor's multilevel REML on twelve values with equal known variances. The values stand in
# tests/equivalence (R 4.2.2, lme4 1.1-31, metafor 3.8-1).
suppressMessages({library(lme4); library(metafor)})
m <- lmer(Yield ~ 1 | Batch, Dyestuff)
cat("dyestuff between, within, mean:", format(c(as.data.frame(VarCorr(m))$vcov, fixef(m)), digits = 12), "\n")
print(ranef(m)$Batch, digits = 12)
within <- 2451.25; between <- 1764.05
Z <- model.matrix(~ 0 + Batch, Dyestuff); X <- matrix(1, 30, 1)
C <- rbind(cbind(crossprod(X), crossprod(X, Z)), cbind(crossprod(Z, X), crossprod(Z) + diag(6) * within / between)) / within
k <- c(1, 1, 0, 0, 0, 0, 0)
cat("prediction error of a batch:", format(sqrt(t(k) %*% solve(C) %*% k), digits = 12), "\n")
d <- c(0.91, 0.62, 1.10, 0.35, 0.05, 0.44, 1.52, 0.98, 1.30, 0.70, 0.81, 0.33)
g <- rep(c("a", "b", "c", "d"), each = 3); id <- 1:12
f <- rma.mv(d, rep(0.02, 12), random = ~ 1 | g / id, method = "REML",
            control = list(optimizer = "optim", optmethod = "BFGS", reltol = 1e-15))
print(f$sigma2, digits = 12); cat(format(c(f$b, f$se), digits = 12), "\n"); print(ranef(f)$g, digits = 12)
