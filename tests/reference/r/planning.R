# Values for tests/planning, by routes that the crate does not take.
#   Rscript tests/reference/r/planning.R tests/reference/values
# Power of two one-sided tests: Owen's Q (Owen 1965, Biometrika 52, 437) by numerical integration, as Schuirmann 1987 and
#   Phillips 1990 write it; the crate integrates over the distribution of the standard error.
# Information of a run that may end: minus the second derivatives of the log-likelihood, averaged; the crate uses the hazard.
arguments <- commandArgs(trailingOnly = TRUE)
folder <- if (length(arguments) > 0) arguments[1] else "."
source_line <- function(what) sprintf("# %s, tests/reference/r/planning.R; %s", R.version.string, what)

owens_q <- function(nu, t, delta, b) {
  f <- function(x) pnorm(t * x / sqrt(nu) - delta) * exp((nu - 1) * log(x) - x^2 / 2 - (nu / 2 - 1) * log(2) - lgamma(nu / 2))
  if (b <= 0) return(0)
  peak <- sqrt(max(nu - 1, 0))
  cuts <- sort(unique(pmin(b, pmax(0, c(0, peak + (-8:8) * 1, b)))))
  sum(mapply(function(l, u) if (u > l) integrate(f, l, u, rel.tol = 1e-12, abs.tol = 0)$value else 0, head(cuts, -1), tail(cuts, -1)))
}
power <- function(theta, se, nu, lower, upper, alpha) {
  t <- qt(1 - alpha, nu)
  d1 <- (theta - log(lower)) / se
  d2 <- (theta - log(upper)) / se
  r <- (d1 - d2) * sqrt(nu) / (2 * t)
  owens_q(nu, -t, d2, r) - owens_q(nu, t, d1, r)
}
cases <- expand.grid(theta = c(-0.05, 0, 0.1), se = c(0.03, 0.07, 0.1), nu = c(2, 5.5, 13, 60, 400))
cases$lower <- 0.8
cases$upper <- 1.25
cases$alpha <- 0.05
cases <- rbind(cases, data.frame(theta = 0.02, se = 0.05, nu = 9, lower = 0.9, upper = 1.2, alpha = 0.025))
cases$power <- mapply(power, cases$theta, cases$se, cases$nu, cases$lower, cases$upper, cases$alpha)
path <- file.path(folder, "tost_power.csv")
writeLines(source_line("power of two one-sided tests by Owen's Q, about 10 digits"), path)
write.table(format(cases, digits = 12, trim = TRUE), path, append = TRUE, sep = ",", row.names = FALSE, quote = FALSE)

families <- list(
  log_normal = list(f = dnorm, lf = function(z) c(-z, -1), S = function(z) pnorm(z, lower.tail = FALSE),
    lS = function(z) { h <- exp(dnorm(z, log = TRUE) - pnorm(z, lower.tail = FALSE, log.p = TRUE)); c(-h, -h * (h - z)) }),
  weibull = list(f = function(z) exp(z - exp(z)), lf = function(z) c(1 - exp(z), -exp(z)), S = function(z) exp(-exp(z)),
    lS = function(z) c(-exp(z), -exp(z))),
  log_logistic = list(f = dlogis, lf = function(z) { p <- plogis(z); c(1 - 2 * p, -2 * p * (1 - p)) },
    S = function(z) plogis(z, lower.tail = FALSE), lS = function(z) { p <- plogis(z); c(-p, -p * (1 - p)) })
)
# d/d eta = -l'; minus the second derivatives of l((y - eta)/sigma) - log sigma in (eta, log sigma).
minus <- function(d, z) { l1 <- d[1]; l2 <- d[2]; c(-l2, -(l1 + z * l2), -(z * l1 + z^2 * l2)) }
rows <- NULL
for (name in names(families)) {
  w <- families[[name]]
  for (end in c(-2, -0.5, 0, 0.7, 2)) {
    low <- if (name == "log_normal") -12 else -60
    part <- sapply(1:3, function(k) {
      g <- function(z) sapply(z, function(x) w$f(x) * minus(w$lf(x), x)[k])
      cuts <- seq(low, end, length.out = 13)
      sum(mapply(function(l, u) integrate(g, l, u, rel.tol = 1e-11, abs.tol = 1e-16)$value, head(cuts, -1), tail(cuts, -1)))
    })
    tail <- w$S(end) * minus(w$lS(end), end)
    total <- part + tail
    rows <- rbind(rows, data.frame(distribution = name, end = end, location = total[1], joint = total[2], scatter = total[3]))
  }
}
path <- file.path(folder, "censored_information.csv")
writeLines(source_line("expected information per trial on (location, log sigma) at sigma = 1, about 9 digits"), path)
rows[3:5] <- lapply(rows[3:5], function(v) format(v, digits = 12, trim = TRUE))
write.table(rows, path, append = TRUE, sep = ",", row.names = FALSE, quote = FALSE)
