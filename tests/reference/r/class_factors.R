# Class × surface factors of the poisons table (treatments A, B one class, C, D another), by lm, and
# the departure of each class from the common factor with its exact least-squares variance.
# Writes tests/reference/values/class_factors.csv. Run from the repository root.
d <- read.csv("tests/data/boot_poisons.csv", comment.char = "#")
d$poison <- factor(d$poison); d$class <- ifelse(d$treat %in% c("A", "B"), "first", "second")
y <- log(d$time)
X0 <- model.matrix(~ 0 + treat + poison, d)
X1 <- cbind(model.matrix(~ 0 + treat, d),
            sapply(c("first", "second"), function(c) sapply(c("2", "3"), function(p) (d$class == c & d$poison == p) * 1)) |>
              array(c(48, 4)))
colnames(X1)[5:8] <- c("first2", "first3", "second2", "second3")
f0 <- lm.fit(X0, y); f1 <- lm.fit(X1, y)
df1 <- 48 - 8; s2 <- sum(f1$residuals^2) / df1
A0 <- solve(crossprod(X0), t(X0)); A1 <- solve(crossprod(X1), t(X1))
out <- data.frame()
for (c in c("first", "second")) for (p in c("2", "3")) {
  a <- A1[paste0(c, p), ]; b <- A0[paste0("poison", p), ]
  out <- rbind(out, data.frame(class = c, surface = p, log_factor = -sum(a * y), se = sqrt(s2 * sum(a^2)),
    departure = sum(a * y) - sum(b * y), departure_se = sqrt(s2 * sum((a - b)^2))))
}
out$p <- 2 * pt(-abs(out$departure / out$departure_se), df1)
out$holm <- p.adjust(out$p, "holm")
rss0 <- sum(f0$residuals^2); rss1 <- sum(f1$residuals^2)
F <- ((rss0 - rss1) / 2) / (rss1 / df1)
con <- file("tests/reference/values/class_factors.csv", "w")
writeLines(paste0("# ", R.version.string, ", tests/reference/r/class_factors.R; F = ", format(F, digits = 15),
  ", p = ", format(pf(F, 2, df1, lower.tail = FALSE), digits = 15)), con)
write.csv(format(out, digits = 15), con, row.names = FALSE, quote = FALSE)
close(con)
