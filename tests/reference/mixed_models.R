# Mixed models of differences by lme4 and nlme, printed as JSON.
#
#     Rscript mixed_models.R > mixed_models.json
#
# Reads data_cardiac.csv (Bland & Altman 2007, from memory) and data_mixed.csv (invented) beside this script. "gone" is
# the invented set with each participant's mean taken out, so that no variance between participants is left.

suppressPackageStartupMessages({
  library(lme4)
  library(nlme)
})
here <- dirname(sub("^--file=", "", grep("^--file=", commandArgs(FALSE), value = TRUE)))
cardiac <- read.csv(file.path(here, "data_cardiac.csv"))
mixed <- read.csv(file.path(here, "data_mixed.csv"))
cardiac$d <- cardiac$rv - cardiac$ic
cardiac$p <- factor(cardiac$participant)
mixed$d <- mixed$difference
mixed$p <- factor(mixed$participant)
mixed$ps <- factor(paste(mixed$participant, mixed$session))
mixed$a <- factor(mixed$activity)
mixed$pa <- factor(paste(mixed$participant, mixed$activity))
gone <- mixed
gone$d <- mixed$d - ave(mixed$d, mixed$p)
cardiac$all <- mixed$all <- gone$all <- factor(1)

terms <- c(p = "participant", ps = "session", a = "activity", pa = "participant x activity")

number <- function(x) sprintf("%.10g", x)
object <- function(names, values) {
  paste0("{", paste0('"', names, '": ', values, collapse = ", "), "}")
}
array <- function(x) paste0("[", paste(number(x), collapse = ", "), "]")

shown <- function(means, ses, variances, likelihood) {
  object(
    c("means", "standard_errors", "variances", "log_likelihood"),
    c(array(means), array(ses), object(names(variances), number(variances)), number(likelihood))
  )
}

of_lme4 <- function(fixed, random, data) {
  formula <- as.formula(paste("d ~", fixed, "+", paste0("(1 | ", random, ")", collapse = " + ")))
  control <- lmerControl(
    optimizer = "nloptwrap", calc.derivs = FALSE,
    optCtrl = list(xtol_abs = 1e-12, ftol_abs = 1e-14, maxeval = 1e5)
  )
  fit <- suppressMessages(lmer(formula, data = data, REML = TRUE, control = control))
  parts <- as.data.frame(VarCorr(fit))
  variances <- setNames(parts$vcov, ifelse(parts$grp == "Residual", "error", terms[parts$grp]))
  shown(fixef(fit), sqrt(diag(as.matrix(vcov(fit)))), variances, as.numeric(logLik(fit)))
}

of_nlme <- function(fixed, random, data) {
  blocks <- lapply(random, function(term) pdIdent(as.formula(paste("~", term, "- 1"))))
  structure <- list(all = if (length(blocks) == 1) blocks[[1]] else pdBlocked(blocks))
  fit <- lme(
    as.formula(paste("d ~", fixed)), data = data, random = structure, method = "REML",
    control = lmeControl(maxIter = 500, msMaxIter = 500, tolerance = 1e-12, msTol = 1e-14)
  )
  table <- VarCorr(fit)
  found <- as.numeric(table[, "Variance"])
  first <- vapply(random, function(term) match(TRUE, startsWith(rownames(table), paste0(term, levels(data[[term]])[1]))), 1L)
  variances <- setNames(c(found[first], found[nrow(table)]), c(terms[random], "error"))
  shown(fixef(fit), sqrt(diag(vcov(fit))), variances, as.numeric(logLik(fit)))
}

fits <- list(
  cardiac = list("1", "p", cardiac),
  nested = list("1", c("p", "ps"), mixed),
  crossed = list("1", c("p", "ps", "a", "pa"), mixed),
  fixed = list("0 + a", c("p", "ps", "pa"), mixed),
  gone = list("1", c("p", "ps"), gone)
)
versions <- object(
  c("R", "lme4", "nlme"),
  paste0('"', c(R.version.string, as.character(packageVersion("lme4")), as.character(packageVersion("nlme"))), '"')
)
run <- function(method, names) {
  paste0("{\n  ", paste0('  "', names, '": ', vapply(fits[names], function(fit) do.call(method, fit), ""), collapse = ",\n  "), "\n  }")
}
cat(sprintf(
  '{\n  "versions": %s,\n  "lme4": %s,\n  "nlme": %s\n}\n',
  versions, run(of_lme4, names(fits)), run(of_nlme, setdiff(names(fits), "gone"))
))
