# Variance components of the studies in readings.csv by lme4, by restricted maximum likelihood.
#   Rscript fit.R readings.csv components.csv
# R 4.2.2, lme4 1.1.31. Every study is fitted by three optimisers with tight tolerances, each from
# lme4's own start and from all components small; the fit of least deviance is kept.
suppressMessages(library(lme4))
path <- commandArgs(trailingOnly = TRUE)
readings <- read.csv(path[1], colClasses = c(study = "character"))
levels_of <- c("subject", "eye", "cell", "sitting", "operator")
controls <- list(
  lmerControl(optimizer = "nloptwrap", calc.derivs = FALSE, check.nobs.vs.nlev = "ignore",
              check.nlev.gtr.1 = "ignore", check.nobs.vs.nRE = "ignore",
              optCtrl = list(xtol_abs = 1e-12, ftol_abs = 1e-12, maxeval = 20000)),
  lmerControl(optimizer = "bobyqa", calc.derivs = FALSE, check.nobs.vs.nlev = "ignore",
              check.nlev.gtr.1 = "ignore", check.nobs.vs.nRE = "ignore",
              optCtrl = list(rhoend = 1e-10, maxfun = 20000)),
  lmerControl(optimizer = "Nelder_Mead", calc.derivs = FALSE, check.nobs.vs.nlev = "ignore",
              check.nlev.gtr.1 = "ignore", check.nobs.vs.nRE = "ignore",
              optCtrl = list(FtolAbs = 1e-12, XtolRel = 1e-12, maxfun = 20000)))
rows <- list()
for (study in unique(readings$study)) {
  data <- readings[readings$study == study, ]
  used <- levels_of[!sapply(levels_of, function(name) any(is.na(data[[name]])))]
  for (name in used) data[[name]] <- factor(data[[name]])
  formula <- as.formula(paste("value ~ 1 +", paste0("(1 | ", used, ")", collapse = " + ")))
  best <- NULL
  for (control in controls) for (start in list(NULL, rep(0.05, length(used)))) {
    fit <- suppressMessages(suppressWarnings(
      try(lmer(formula, data, REML = TRUE, control = control, start = start), silent = TRUE)))
    if (!inherits(fit, "try-error") && (is.null(best) || REMLcrit(fit) < REMLcrit(best)))
      best <- fit
  }
  sd <- as.data.frame(VarCorr(best))
  for (k in seq_len(nrow(sd))) rows[[length(rows) + 1]] <- data.frame(
    study = study, deviance = sprintf("%.9f", REMLcrit(best)),
    name = ifelse(sd$grp[k] == "Residual", "reading", sd$grp[k]),
    sd = sprintf("%.9g", sd$sdcor[k]))
}
write.csv(do.call(rbind, rows), path[2], row.names = FALSE, quote = FALSE)
