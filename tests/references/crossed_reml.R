# REML of crossed layouts with missing and repeated cells by lme4, to compare with drift.engine.crossed.
# Run from this folder: Rscript crossed_reml.R > crossed_reml.csv
suppressMessages(library(lme4))
d <- read.csv("crossed_layouts.csv", stringsAsFactors = TRUE)
ctl <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-10, maxfun = 1e6))
cat("layout,component,value\n")
for (name in levels(d$layout)) {
  x <- droplevels(d[d$layout == name, ])
  replicated <- anyDuplicated(x[, c("target", "facet")]) > 0
  f <- if (replicated) reading ~ 1 + (1 | target) + (1 | facet) + (1 | target:facet) else
    reading ~ 1 + (1 | target) + (1 | facet)
  m <- suppressMessages(lmer(f, x, control = ctl))
  v <- as.data.frame(VarCorr(m))
  for (i in seq_len(nrow(v))) {
    part <- c("target" = "target", "facet" = "facet", "target:facet" = "interaction", "Residual" = "residual")[v$grp[i]]
    cat(sprintf("%s,%s,%.12g\n", name, part, v$vcov[i]))
  }
  cat(sprintf("%s,criterion,%.12g\n%s,mean,%.12g\n%s,std_error,%.12g\n", name, REMLcrit(m), name, fixef(m), name,
              sqrt(vcov(m)[1, 1])))
}
cat(sprintf("lme4 version,%s,0\n", packageVersion("lme4")))
