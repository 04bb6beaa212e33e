# REML by lme4 of the layouts in generalizability_layouts.csv; writes generalizability.csv.
# Rscript tests/references/generalizability.R (from the repository's root)
suppressMessages(library(lme4))
d <- read.csv("tests/references/generalizability_layouts.csv")
for (f in c("p", "i", "o", "h", "r", "k")) d[[f]] <- factor(d[[f]])
models <- list(
  crossed = reading ~ 1 + (1|p) + (1|i) + (1|o) + (1|p:i) + (1|p:o) + (1|i:o) + (1|p:i:o),
  single  = reading ~ 1 + (1|p) + (1|i) + (1|o) + (1|p:i) + (1|p:o) + (1|i:o),
  nested  = reading ~ 1 + (1|p) + (1|h) + (1|h:i) + (1|p:h),
  within  = reading ~ 1 + (1|p) + (1|p:o),
  three   = reading ~ 1 + (1|p) + (1|i) + (1|o) + (1|k) + (1|p:i) + (1|p:o) + (1|p:k) + (1|i:o) + (1|i:k) + (1|o:k) +
            (1|p:i:o) + (1|p:i:k) + (1|p:o:k) + (1|i:o:k))
control <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-9, maxfun = 2e5),
                       check.conv.singular = "ignore", calc.derivs = FALSE)
out <- NULL
for (name in names(models)) {
  part <- droplevels(subset(d, layout == name))
  fit <- lmer(models[[name]], part, REML = TRUE, control = control)
  v <- as.data.frame(VarCorr(fit))
  out <- rbind(out, data.frame(layout = name, quantity = v$grp, value = v$vcov),
               data.frame(layout = name, quantity = c("criterion", "mean", "std_error"),
                          value = c(REMLcrit(fit), fixef(fit), sqrt(vcov(fit)[1, 1]))))
}
out$value <- formatC(out$value, digits = 10, format = "g")
out$versions <- paste0("R ", getRversion(), "; lme4 ", packageVersion("lme4"))
write.csv(out, "tests/references/generalizability.csv", row.names = FALSE, quote = FALSE)
