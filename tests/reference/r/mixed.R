# Reference values for tests/mixed: linear mixed models from R lme4 and lmerTest.
# Run from the root of the repository: Rscript tests/reference/r/mixed.R
# Writes tests/reference/values/mixed.csv and, once, tests/data/lme4_sleepstudy.csv and r_sleep.csv.
#
# lme4's optimiser stops at about 1e-6, so its fits are polished here: Newton steps on its own
# deviance function, and profile limits by root finding on it. lmerTest gives Satterthwaite degrees
# of freedom from numerical derivatives (about 6 digits).
suppressMessages({library(lme4); library(lmerTest); library(numDeriv)})
options(digits = 15)
out <- data.frame()
put <- function(set, quantity, value, digits)
  out <<- rbind(out, data.frame(set = set, quantity = quantity, value = sprintf("%.15g", value), digits = digits))
data_dir <- "tests/data/"
read <- function(f) read.csv(paste0(data_dir, f), comment.char = "#", stringsAsFactors = TRUE)

write_data <- function(frame, file, source) {
  con <- file(paste0(data_dir, file), "w"); writeLines(source, con)
  write.csv(frame, con, row.names = FALSE, quote = FALSE); close(con)
}
write_data(lme4::sleepstudy, "lme4_sleepstudy.csv",
           "# Belenky et al. 2003 reaction times under sleep deprivation, 18 subjects x 10 days; R package lme4 (sleepstudy)")
write_data(datasets::sleep, "r_sleep.csv",
           "# Cushny & Peebles 1905 extra hours of sleep, used by Student 1908; R datasets (sleep)")

# Polished minimum of lme4's deviance function in theta.
polish <- function(m) {
  f <- lme4::lmer(formula(m), data = model.frame(m), REML = isREML(m), devFunOnly = TRUE)
  theta <- getME(m, "theta")
  free <- theta > 1e-4
  g <- function(x) { t <- theta; t[!free] <- 0; t[free] <- x; f(t) }
  x <- theta[free]
  if (any(free)) for (i in 1:8) x <- x - as.vector(solve(hessian(g, x), grad(g, x)))
  theta[!free] <- 0; theta[free] <- x
  list(theta = theta, value = f(theta), env = environment(f))
}
describe <- function(set, m, digits = 8) {
  p <- polish(m)
  tag <- if (isREML(m)) "reml" else "ml"
  n <- nobs(m); k <- length(fixef(m)); nu <- if (isREML(m)) n - k else n
  s2 <- p$env$resp$wrss() + p$env$pp$sqrL(1); s2 <- s2 / nu
  names <- names(getME(m, "cnms"))
  for (i in seq_along(names)) put(set, paste(tag, "variance", names[i]), p$theta[i]^2 * s2, digits)
  put(set, paste(tag, "variance residual"), s2, digits)
  put(set, paste(tag, "criterion"), p$value, 12)
  put(set, paste(tag, "criterion lme4"), as.numeric(-2 * logLik(m)), 8)
}
satterthwaite <- function(set, m) {
  s <- summary(m, ddf = "Satterthwaite")$coefficients
  for (i in 1:nrow(s)) {
    put(set, paste("df", rownames(s)[i]), s[i, "df"], 5)
    put(set, paste("se", rownames(s)[i]), s[i, "Std. Error"], 6)
    put(set, paste("coef", rownames(s)[i]), s[i, "Estimate"], 6)
  }
}
# Profile limits of the standard deviations: root of the ML deviance, minimised over the rest.
limits <- function(set, m, level = 0.95) {
  m <- refitML(m)
  f <- lme4:::devfun2(m, useSc = TRUE, signames = FALSE)
  opt <- attr(f, "optimum"); opt <- opt[seq_len(length(getME(m, "theta")) + 1)]
  low <- rep(0, length(opt))
  inner <- function(fixed, value, start) {
    if (length(opt) == 1) return(f(value))
    g <- function(x) { v <- opt; v[fixed] <- value; v[-fixed] <- x; f(v) }
    best <- Inf
    for (s in list(start, opt[-fixed], rep(mean(opt), length(opt) - 1))) {
      # Logarithms of the free standard deviations: smooth, and no bound to stick to.
      r <- nlminb(log(pmax(s, 1e-3)), function(x) g(exp(x)), lower = -25, control = list(rel.tol = 1e-15, x.tol = 1e-12, eval.max = 4000, iter.max = 4000))
      if (is.finite(r$objective)) best <- min(best, r$objective)
    }
    best
  }
  base <- min(sapply(seq_along(opt), function(i) inner(i, opt[i], opt[-i])))
  r <- nlminb(log(pmax(opt, 1e-6)), function(x) f(exp(x)), lower = -25, control = list(rel.tol = 1e-15, x.tol = 1e-12))
  base <- min(base, r$objective); opt <- exp(r$par); low <- NULL
  crit <- qchisq(level, 1)
  names <- c(names(getME(m, "cnms")), "residual")
  for (i in seq_along(opt)) {
    h <- function(x) inner(i, x, opt[-i]) - base - crit
    at0 <- if (i < length(opt)) h(1e-9) else 1
    lo <- if (at0 <= 0) 0 else {
      bottom <- opt[i]; while (h(bottom) < 0) bottom <- bottom / 1.5
      uniroot(h, c(bottom, bottom * 1.5), tol = 1e-12)$root
    }
    top <- max(opt[i], 1e-3); while (h(top) < 0) top <- top * 1.5
    hi <- uniroot(h, c(top / 1.5, top), tol = 1e-12)$root
    put(set, paste("profile lower", names[i]), lo, 6)
    put(set, paste("profile upper", names[i]), hi, 6)
  }
  ci <- suppressWarnings(suppressMessages(confint(m, method = "profile", oldNames = FALSE, quiet = TRUE, parm = "theta_")))
  for (i in 1:nrow(ci)) {
    put(set, paste("confint lower", names[i]), if (is.na(ci[i, 1])) 0 else ci[i, 1], 3)
    put(set, paste("confint upper", names[i]), ci[i, 2], 3)
  }
}
# Prediction error variances by dense algebra from the polished variances (Henderson 1975).
predictions <- function(set, m) {
  p <- polish(m)
  X <- getME(m, "X"); Z <- as.matrix(getME(m, "Z")); y <- getME(m, "y")
  nu <- nobs(m) - ncol(X); s2 <- (p$env$resp$wrss() + p$env$pp$sqrL(1)) / nu
  sizes <- sapply(getME(m, "flist")[names(getME(m, "cnms"))], nlevels)
  d <- pmax(rep(p$theta^2 * s2, sizes), 1e-300)
  C <- rbind(cbind(crossprod(Z) / s2 + diag(1 / d), crossprod(Z, X) / s2), cbind(crossprod(X, Z), crossprod(X)) / s2)
  e <- solve(C, c(crossprod(Z, y), crossprod(X, y)) / s2); v <- diag(solve(C))
  for (i in seq_along(d)) {
    put(set, paste("effect", i), e[i], 8); put(set, paste("effect se", i), sqrt(v[i]), 8)
  }
}
both <- function(set, formula, data) {
  r <- lme4::lmer(formula, data, REML = TRUE); describe(set, r)
  describe(set, lme4::lmer(formula, data, REML = FALSE))
  # lmerTest works at lme4's stopping point: stop as late as possible.
  satterthwaite(set, lmerTest::lmer(formula, data, REML = TRUE,
    control = lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-10, maxfun = 1e5))))
  limits(set, r)
  predictions(set, r)
}
suppressWarnings(suppressMessages({
dye <- read("lme4_dyestuff.csv"); both("dyestuff", Yield ~ 1 + (1 | Batch), dye)
pen <- read("lme4_penicillin.csv"); both("penicillin", diameter ~ 1 + (1 | plate) + (1 | sample), pen)
pas <- read("lme4_pastes.csv"); pas$bc <- factor(paste(pas$batch, pas$cask)); both("pastes", strength ~ 1 + (1 | bc) + (1 | batch), pas)
slp <- lme4::sleepstudy; both("sleepstudy", Reaction ~ 1 + Days + (1 | Subject), slp)
lat <- read("abrasion_latin_square.csv"); lat$run <- factor(lat$run); lat$position <- factor(lat$position)
both("latin", wear ~ 0 + material + (1 | run) + (1 | position), lat)
poi <- read("boot_poisons.csv"); poi$ly <- log(poi$time); poi$poison <- factor(poi$poison); poi$cell <- factor(paste(poi$treat, poi$poison))
both("poisons", ly ~ 0 + treat + poison + (1 | cell), poi)
# Unbalanced: the same without every third row of the first two treatments, and two shared days.
un <- poi[-seq(1, 24, 3), ]; un$day <- factor((seq_len(nrow(un)) * 5) %% 7)
both("unbalanced", ly ~ 0 + treat + poison + (1 | cell) + (1 | day), un)
d2 <- read("lme4_dyestuff2.csv"); m2 <- lme4::lmer(Yield ~ 1 + (1 | Batch), d2)
describe("dyestuff2", m2); describe("dyestuff2", lme4::lmer(Yield ~ 1 + (1 | Batch), d2, REML = FALSE)); limits("dyestuff2", m2)
}))
con <- file("tests/reference/values/mixed.csv", "w")
writeLines(sprintf("# tests/reference/r/mixed.R, %s, lme4 %s, lmerTest %s; digits: what the computation gives",
                   R.version.string, packageVersion("lme4"), packageVersion("lmerTest")), con)
write.csv(out, con, row.names = FALSE, quote = FALSE); close(con)
