# How far maximum likelihood falls short of the scatter of censored cells, and the correction sqrt(N/(N - p)) of
# src/severity/cell_means.rs: 20 cells of n trials, true scatter 1, run-outs in every other cell with probability q.
# Printed with R 4.2.2, survival 3.5-3, seed 1 (log-normal; scatter as fitted, corrected; degrees of freedom by the
# information, and as the variance of the log says):
#   n 3: q 0: 0.809 0.990  40.0 39.8;  q 0.4: 0.802 0.983  26.1 26.3;  q 0.7: 0.805 0.986  20.8 25.5
#   n 5: q 0: 0.891 0.996  79.9 97.7;  q 0.4: 0.890 0.995  55.6 51.2;  q 0.7: 0.883 0.988  43.2 54.7
#   n 8: q 0: 0.934 0.998 139.8 143.7; q 0.4: 0.925 0.989 100.5 98.8;  q 0.7: 0.930 0.994  79.0 92.0
suppressMessages(library(survival)); set.seed(1)
simulate <- function(p, n, q, replicates = 300) {
  out <- replicate(replicates, {
    cell <- factor(rep(1:p, each = n)); z <- rnorm(p * n)
    limit <- ifelse(rep(c(TRUE, FALSE), length.out = p)[cell], qnorm(1 - q), Inf)
    d <- data.frame(t = exp(pmin(z, limit)), event = z <= limit, cell)
    d <- droplevels(d[tapply(d$event, cell, any)[cell], ])
    f <- survreg(Surv(t, event) ~ 0 + cell, d, dist = "lognormal")
    N <- nrow(d); k <- nlevels(d$cell)
    c(f$scale, f$scale * sqrt(N / (N - k)), 1 / (2 * f$var[k + 1, k + 1]) - k)
  })
  cat("n", n, "q", q, "scatter", mean(out[1, ]), "corrected", mean(out[2, ]), "df", mean(out[3, ]), "df of log",
      1 / (2 * var(log(out[2, ]))), "\n")
}
for (n in c(3, 5, 8)) for (q in c(0.001, 0.4, 0.7)) simulate(20, n, q)
