# Reference values for tests/mixed/censored.rs: one random effect under right-censoring.
# Run from the root of the repository: Rscript tests/reference/r/censored_mixed.R
# The likelihood of each litter is integrated by the trapezium rule on a dense grid, which for such
# integrands is exact to rounding; maxima by nlminb from several starts, profile limits by uniroot.
rats <- read.csv("tests/data/survival_rats_female.csv", comment.char = "#")
y <- log(rats$time); h <- 0.02; u <- seq(-8.5, 8.5, by = h); w <- log(h) + dnorm(u, log = TRUE)
groups <- split(seq_along(y), rats$litter)
terms <- function(p) {
  sapply(groups, function(i) {
    rowSums(sapply(i, function(k) {
      z <- (y[k] - p[1] - p[2] * rats$rx[k] - exp(p[4]) * u) / exp(p[3])
      if (rats$status[k] == 1) dnorm(z, log = TRUE) - p[3] - y[k] else pnorm(z, lower.tail = FALSE, log.p = TRUE)
    })) + w
  })
}
loglik <- function(p) { l <- terms(p); top <- apply(l, 2, max); sum(top + log(colSums(exp(sweep(l, 2, top))))) }
best <- nlminb(c(5, -0.2, -0.9, -1.3), function(p) -loglik(p), control = list(rel.tol = 1e-15, x.tol = 1e-10))
best <- nlminb(best$par, function(p) -loglik(p), control = list(rel.tol = 1e-15, x.tol = 1e-12))
out <- data.frame(); put <- function(q, v, d) out <<- rbind(out, data.frame(set = "rats", quantity = q, value = sprintf("%.12g", v), digits = d))
put("loglik", -best$objective, 11)
profile <- function(at) {
  crit <- qchisq(0.95, 1) / 2
  inner <- function(value) {
    f <- function(q) { p <- best$par; p[-at] <- q; p[at] <- value; -loglik(p) }
    nlminb(best$par[-at], f, control = list(rel.tol = 1e-15, x.tol = 1e-11))$objective - best$objective - crit
  }
  at0 <- inner(-12)
  lo <- if (at0 <= 0) 0 else exp(uniroot(inner, c(best$par[at] - 4, best$par[at]), tol = 1e-9)$root)
  hi <- exp(uniroot(inner, c(best$par[at], best$par[at] + 2), tol = 1e-9)$root)
  c(lo, hi)
}
for (a in c(4, 3)) { v <- profile(a); n <- c("residual", "litter")[a - 2]
  put(paste("profile lower", n), v[1], 6); put(paste("profile upper", n), v[2], 6) }
# Conditional modes on a continuous scale.
for (g in c(1, 2, 20, 50)) {
  f <- function(b) { i <- groups[[g]]; p <- best$par
    z <- (y[i] - p[1] - p[2] * rats$rx[i] - b) / exp(p[3])
    -(sum(ifelse(rats$status[i] == 1, dnorm(z, log = TRUE), pnorm(z, lower.tail = FALSE, log.p = TRUE))) + dnorm(b, 0, exp(p[4]), log = TRUE)) }
  put(paste("mode", g), optimize(f, c(-2, 2), tol = 1e-10)$minimum, 5)
}
con <- file("tests/reference/values/censored_mixed.csv", "w")
writeLines(sprintf("# tests/reference/r/censored_mixed.R, %s; digits: what the computation gives", R.version.string), con)
write.csv(out, con, row.names = FALSE, quote = FALSE); close(con)
