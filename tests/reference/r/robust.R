# Robust fits: writes tests/reference/values/robust.csv.
# Run in the crate's folder: Rscript tests/reference/r/robust.R
suppressMessages({library(MASS); library(robustbase); library(survival)})
out <- list()
add <- function(set, method, name, value) out[[length(out) + 1]] <<- data.frame(set, method, name, value = sprintf("%.12g", value))

# Exact 1/qnorm(3/4) instead of rlm's rounded 0.6745: iterate its fixed point here.
m_fit <- function(X, y, psi, start) {
  b <- start
  for (i in 1:20000) {
    r <- drop(y - X %*% b); s <- median(abs(r)) / qnorm(0.75)
    w <- psi(r / s)
    bn <- lm.wfit(X, y, w)$coefficients
    if (max(abs(bn - b)) < 1e-14) { b <- bn; break }
    b <- bn
  }
  r <- drop(y - X %*% b); s <- median(abs(r)) / qnorm(0.75)
  n <- length(y); p <- ncol(X)
  w <- psi(r / s); pp <- psi(r / s, deriv = 1); mn <- mean(pp)
  sd <- sqrt(sum((r * w)^2) / (n - p)) * (1 + p * var(pp) / (n * mn^2)) / mn
  list(b = b, s = s, se = sd * sqrt(diag(solve(crossprod(X)))), w = w)
}
huber <- function(u, deriv = 0) psi.huber(u, k = 1.345, deriv = deriv)
bisq <- function(u, deriv = 0) psi.bisquare(u, c = 4.685, deriv = deriv)
report <- function(set, X, y) {
  h <- m_fit(X, y, huber, lm.fit(X, y)$coefficients)
  b <- m_fit(X, y, bisq, h$b)
  for (m in c("huber", "bisquare")) {
    f <- if (m == "huber") h else b
    for (j in seq_along(f$b)) { add(set, m, paste0("b", j), f$b[j]); add(set, m, paste0("se", j), f$se[j]) }
    add(set, m, "scale", f$s)
  }
  best <- NULL
  for (seed in 1:20) {
    set.seed(seed)
    f <- lmrob.fit(X, y, lmrob.control(nResample = 2000, best.r.s = 20, refine.tol = 1e-12, rel.tol = 1e-12,
      solve.tol = 1e-12, max.it = 5000, k.max = 5000, scale.tol = 1e-14, maxit.scale = 5000))
    if (is.null(best) || f$scale < best$scale) best <- f
  }
  for (j in seq_along(best$coefficients)) add(set, "mm", paste0("b", j), best$coefficients[j])
  add(set, "mm", "scale", best$scale)
}
X <- model.matrix(stack.loss ~ ., stackloss)
report("stackloss", X, stackloss$stack.loss)
poisons <- read.csv("tests/data/boot_poisons.csv", comment.char = "#")
X <- model.matrix(~ 0 + treat + factor(poison), poisons)
report("poisons", X, log(poisons$time))

# Student-t errors with censoring: survreg, log time, 4 degrees of freedom.
pc <- read.csv("tests/data/poisons_censored.csv", comment.char = "#")
y <- log(pc$time)
lo <- ifelse(pc$outcome == "opened_at_contact", NA, y)
hi <- ifelse(pc$outcome == "run_out", NA, y)
for (nu in c(4, 8)) {
  f <- survreg(Surv(lo, hi, type = "interval2") ~ 0 + factor(treat) + factor(poison), pc, dist = "t", parms = nu,
    control = survreg.control(rel.tolerance = 1e-14, maxiter = 500))
  for (j in seq_along(coef(f))) { add("censored", paste0("t", nu), paste0("b", j), coef(f)[j])
    add("censored", paste0("t", nu), paste0("se", j), sqrt(diag(vcov(f)))[j]) }
  add("censored", paste0("t", nu), "scale", f$scale)
}
f <- survreg(Surv(log(time)) ~ 0 + treat + factor(poison), poisons, dist = "t", parms = 4,
  control = survreg.control(rel.tolerance = 1e-14, maxiter = 500))
for (j in seq_along(coef(f))) { add("poisons", "t4", paste0("b", j), coef(f)[j])
  add("poisons", "t4", paste0("se", j), sqrt(diag(vcov(f)))[j]) }
add("poisons", "t4", "scale", f$scale)
# Estimated degrees of freedom: profile likelihood.
X <- model.matrix(~ 0 + treat + factor(poison), poisons); y <- log(poisons$time)
nll <- function(th, nu) { s <- exp(th[7]); -sum(dt((y - X %*% th[1:6]) / s, nu, log = TRUE) - th[7]) }
prof <- function(nu) { th <- c(coef(f), log(f$scale)); for (k in 1:3) th <- optim(th, nll, nu = nu, method = "BFGS",
  control = list(reltol = 1e-15, maxit = 2000))$par; nll(th, nu) }
best <- optimize(prof, c(1, 30), tol = 1e-7)
add("poisons", "t", "nu", best$minimum)
con <- file("tests/reference/values/robust.csv", "w")
writeLines(paste0("# ", R.version.string, ", MASS ", packageVersion("MASS"), ", robustbase ", packageVersion("robustbase"),
  ", survival ", packageVersion("survival"), ", tests/reference/r/robust.R"), con)
write.csv(do.call(rbind, out), con, row.names = FALSE, quote = FALSE)
close(con)
