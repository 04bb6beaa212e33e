# REML fits of tests/references/paired_components.csv by lme4, tolerances tightened:
#   Rscript tests/references/paired_components.R tests/references
# Versions used stand in the result. Rows of the result: design, model, quantity, value.
library(lme4)
folder <- commandArgs(trailingOnly = TRUE)[1]
x <- read.csv(file.path(folder, "paired_components.csv"))
control <- lmerControl(optimizer = "nloptwrap", calc.derivs = FALSE, check.conv.singular = "ignore",
                       optCtrl = list(ftol_abs = 1e-15, xtol_abs = 1e-13, ftol_rel = 1e-15, xtol_rel = 1e-13, maxeval = 1e5))
out <- data.frame()
add <- function(d, m, q, v) out <<- rbind(out, data.frame(design = d, model = m, quantity = q, value = sprintf("%.12g", v)))
for (d in unique(x$design)) {
  y <- x[x$design == d, ]
  random <- if (d == "one factor") "(1|target)" else "(1|target)+(1|sensor)"
  for (m in c("1", "size")) {
    fit <- lmer(as.formula(paste("difference ~", if (m == "1") "1 +" else "1 + size +", random)), y, control = control)
    vc <- as.data.frame(VarCorr(fit))
    for (j in seq_len(nrow(vc))) add(d, m, paste("variance", vc$grp[j]), vc$vcov[j])
    add(d, m, "criterion", REMLcrit(fit))
    for (n in names(fixef(fit))) add(d, m, n, fixef(fit)[[n]])
    for (n in names(fixef(fit))) add(d, m, paste("se", n), sqrt(as.matrix(vcov(fit))[n, n]))
  }
}
add("versions", R.version$version.string, paste("lme4", packageVersion("lme4")), 0)
write.csv(out, file.path(folder, "paired_components_lme4.csv"), row.names = FALSE, quote = TRUE)
