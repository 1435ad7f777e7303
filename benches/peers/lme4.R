# The model and the numbers of benches/mixed.rs in R lme4: Rscript benches/peers/lme4.R
# Prints the best of a few runs of lmer() and its estimates, to set beside `cargo bench --bench mixed`.
suppressMessages(library(lme4))
state <- 20261
uniform <- function() { state <<- (state * 16807) %% 2147483647; state / 2147483647 }
normal <- function() { s <- 0; for (i in 1:12) s <- s + uniform(); s - 6 }
materials <- 100; surfaces <- 5; days <- 200; trials <- 10000
material_effect <- sapply(1:materials, function(i) 1 + 0.5 * normal())
day_effect <- sapply(1:days, function(i) 0.10 * normal())
cell_effect <- sapply(1:(materials * surfaces), function(i) 0.15 * normal())
cell <- (0:(trials - 1)) %% (materials * surfaces)
day <- integer(trials); y <- numeric(trials)
for (i in 1:trials) {
  d <- floor(uniform() * days); day[i] <- d
  m <- cell[i] %/% surfaces; s <- cell[i] %% surfaces
  y[i] <- material_effect[m + 1] - 0.3 * s + day_effect[d + 1] + cell_effect[cell[i] + 1] + 0.2 * normal()
}
table <- data.frame(y, material = factor(cell %/% surfaces), surface = factor(cell %% surfaces), day = factor(day), cell = factor(cell))
fit <- function(...) lmer(y ~ 0 + material + surface + (1 | day) + (1 | cell), table, REML = TRUE, ...)
time <- sapply(1:5, function(i) system.time(m <<- fit())[["elapsed"]])
bare <- sapply(1:5, function(i) system.time(fit(control = lmerControl(calc.derivs = FALSE)))[["elapsed"]])
cat(sprintf("lme4 %s: best %.3f s, median %.3f s of 5; without derivative checks best %.3f s\n", packageVersion("lme4"), min(time), median(time), min(bare)))
cat(sprintf("REML criterion %.9f\n", as.numeric(-2 * logLik(m))))
print(as.data.frame(VarCorr(m))[, c("grp", "vcov")], digits = 12)
