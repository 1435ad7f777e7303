# Reference values for tests/mixed/recorded.rs: what a table records (days, belts, material x surface) in one fit, and cell
# medians adjusted for days and belts. Variances and the contrast of two surfaces from lme4; the medians by generalised least
# squares with those variances, the covariance of the trials inverted whole.
# Run from the root of the repository: Rscript tests/reference/r/adjusted_cells.R
suppressMessages(library(lme4))
rows <- data.frame()
n <- 0
for (m in 0:5) for (s in 0:2) for (i in 0:(1 + (m + s) %% 3)) {
  day <- (2 * s + (i + m) %% 4) %% 7; belt <- (m + i) %% 3; lab <- as.numeric(s == 2)
  y <- 0.4 * m - 0.5 * s + 0.15 * sin(13.7 * day + 1) + 0.2 * sin(5.1 * belt + 2) * lab +
    0.15 * sin(1.7 * (3 * m + s)^2 + 0.5) + 0.1 * sin(91.7 * n + 0.3)
  rows <- rbind(rows, data.frame(m, s, day, belt, lab, y)); n <- n + 1
}
rows <- transform(rows, material = factor(m), surface = factor(s), cell = factor(paste(m, s)), day = factor(day), belt = factor(belt))
tight <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-12, maxfun = 1e5),
                     check.conv.grad = "ignore")
fit <- lmer(y ~ 0 + material + surface + (1 | day) + (0 + lab | belt) + (1 | cell), rows, control = tight)
v <- as.data.frame(VarCorr(fit)); variance <- function(g) v$vcov[v$grp == g]
out <- data.frame()
put <- function(q, x, d) out <<- rbind(out, data.frame(set = "adjusted", quantity = q, value = sprintf("%.12g", x), digits = d))
for (g in c("day", "belt", "cell", "Residual")) put(paste("variance", g), variance(g), 5)
for (s in 1:2) {
  name <- paste0("surface", s)
  put(paste("contrast", s), -fixef(fit)[[name]], 6); put(paste("error", s), sqrt(vcov(fit)[name, name]), 5)
}
X <- model.matrix(~ 0 + cell, rows); Zd <- model.matrix(~ 0 + day, rows); Zb <- model.matrix(~ 0 + belt, rows) * rows$lab
V <- variance("Residual") * diag(nrow(rows)) + variance("day") * tcrossprod(Zd) + variance("belt") * tcrossprod(Zb)
C <- solve(t(X) %*% solve(V, X)); b <- C %*% t(X) %*% solve(V, rows$y)
for (k in seq_len(ncol(X))) {
  name <- sub("^cell", "", colnames(X)[k])
  put(paste("median", name), b[k], 6); put(paste("median error", name), sqrt(C[k, k]), 5)
}
con <- file("tests/reference/values/adjusted_cells.csv", "w")
writeLines(sprintf("# %s, lme4 %s; tests/reference/r/adjusted_cells.R", R.version.string, packageVersion("lme4")), con)
write.csv(out, con, row.names = FALSE, quote = FALSE); close(con)
