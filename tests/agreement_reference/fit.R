# Statistics of the studies in readings.csv by base R and lme4, one line each.
#   Rscript fit.R readings.csv statistics.csv
# stats: t.test, shapiro.test, cor.test, lm, aov, qt with noncentrality; lme4: lmer. The jackknife,
# concordance, Deming's line and the sums of Bland and Altman are written out from their papers.
suppressMessages(library(lme4))
path <- commandArgs(trailingOnly = TRUE)
readings <- read.csv(path[1], colClasses = c(study = "character"))
rows <- list()
put <- function(name, value) rows[[length(rows) + 1]] <<- data.frame(
  study = id, name = name, value = sprintf("%.17g", value))
within_of <- function(data) anova(aov(length_mm ~ subject, data))["Residuals", ]
for (id in unique(readings$study)) {
  data <- readings[readings$study == id, ]
  data$subject <- factor(data$subject)
  parts <- split(data, data$method)
  a <- tapply(parts$contact$length_mm, parts$contact$subject, mean)
  b <- tapply(parts$immersion$length_mm, parts$immersion$subject, mean)
  d <- as.numeric(a - b); average <- as.numeric((a + b) / 2); n <- length(d); z <- qnorm(0.975)
  t <- t.test(d)
  put("bias", mean(d)); put("bias, low", t$conf.int[1]); put("bias, high", t$conf.int[2])
  put("p for no bias", t$p.value)
  error <- sd(d) / sqrt(n)
  put("two one-sided tests, p", max(pt((0.3 + mean(d)) / error, n - 1, lower.tail = FALSE),
                                    pt((0.3 - mean(d)) / error, n - 1, lower.tail = FALSE)))
  put("SD of differences", sd(d))
  put("Shapiro-Wilk p", shapiro.test(d)$p.value)
  put("slope on average", coef(lm(d ~ average))[[2]])
  tau <- cor.test(abs(d - mean(d)), average, method = "kendall")
  put("Kendall's tau", tau$estimate); put("Kendall's tau, p", tau$p.value)
  x <- as.numeric(b); y <- as.numeric(a)
  put("concordance", 2 * cov(x, y) * (n - 1) / n /
        (var(x) * (n - 1) / n + var(y) * (n - 1) / n + (mean(x) - mean(y))^2))
  m <- nrow(parts$contact) / n
  if (m == 1) {
    put("upper limit", mean(d) + z * sd(d))
    for (tail in c(0.025, 0.975)) put(paste("upper limit,", if (tail < 0.5) "low" else "high"),
      mean(d) + qt(tail, n - 1, ncp = z * sqrt(n)) * sd(d) / sqrt(n))
    put("SD of differences, low", sd(d) * sqrt((n - 1) / qchisq(0.975, n - 1)))
    put("SD of differences, high", sd(d) * sqrt((n - 1) / qchisq(0.025, n - 1)))
    # Deming's line for equal errors.
    u <- var(y) - var(x)
    put("Deming slope", (u + sqrt(u^2 + 4 * cov(x, y)^2)) / (2 * cov(x, y)))
    next
  }
  square <- sapply(parts, function(part) within_of(part)[["Mean Sq"]])
  put("repeatability SD", sqrt(square[["contact"]]))
  put("SD of differences, single readings", sqrt(var(d) + (1 - 1 / m) * sum(square)))
  between <- anova(aov(length_mm ~ subject, parts$contact))["subject", "Mean Sq"]
  f <- between / square[["contact"]]; df2 <- n * (m - 1)
  icc <- function(f) (f - 1) / (f + m - 1)
  put("ICC", icc(f)); put("ICC, low", icc(f / qf(0.975, n - 1, df2)))
  put("ICC, high", icc(f * qf(0.975, df2, n - 1)))
  sums <- sapply(parts, function(part) tapply(part$length_mm, part$subject,
                                              function(v) sum((v - mean(v))^2)))
  log_ratio <- function(s) 0.5 * log(sum(s[, "contact"]) / sum(s[, "immersion"]))
  left <- sapply(1:n, function(k) log_ratio(sums[-k, ]))
  error <- sqrt((n - 1) / n * sum((left - mean(left))^2)); r <- log_ratio(sums)
  put("ratio of SDs", exp(r)); put("ratio of SDs, low", exp(r - qt(0.975, n - 1) * error))
  put("ratio of SDs, high", exp(r + qt(0.975, n - 1) * error))
  put("ratio of SDs, p", 2 * pt(-abs(r) / error, n - 1))
  control <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-12, maxfun = 20000))
  fit <- lmer(length_mm ~ 1 + (1 | subject), parts$contact, control = control)
  put("SD between subjects (lme4)", as.data.frame(VarCorr(fit))$sdcor[1])
}
write.csv(do.call(rbind, rows), path[2], row.names = FALSE, quote = TRUE)
