# Concordance by variance components (Carrasco & Jover 2003; Carrasco, King & Chinchilli 2009) with lme4:
#   Rscript tests/references/concordance.R tests/references
# Blood pressure of 85 people, three readings each by observers and a machine (tests/published), all pairs and an
# unbalanced part. Rows of the result: data, pair, quantity, value. Versions used stand in its last row.
library(lme4)
folder <- commandArgs(trailingOnly = TRUE)[1]
x <- read.csv(file.path(folder, "..", "published", "bland-altman-1999-sbp.csv"))
control <- lmerControl(optimizer = "nloptwrap", calc.derivs = FALSE, check.conv.singular = "ignore",
                       check.nobs.vs.nlev = "ignore", check.nobs.vs.nRE = "ignore",
                       optCtrl = list(ftol_abs = 1e-15, xtol_abs = 1e-13, ftol_rel = 1e-15, xtol_rel = 1e-13, maxeval = 1e5))
out <- data.frame()
add <- function(d, p, q, v) out <<- rbind(out, data.frame(data = d, pair = p, quantity = q, value = sprintf("%.12g", v)))
for (d in c("all", "unbalanced")) for (p in c("J S", "R S", "J R")) {
  y <- x[x$method %in% strsplit(p, " ")[[1]], ]
  if (d == "unbalanced") y <- y[(y$subject * 7 + y$replicate * 3) %% 5 != 0 & y$subject <= 40, ]
  y$occasion <- interaction(y$subject, y$replicate)
  y$own <- interaction(y$subject, y$method)
  fit <- lmer(sbp ~ method + (1 | subject) + (1 | occasion) + (1 | own), y, control = control)
  v <- setNames(as.data.frame(VarCorr(fit))$vcov, as.data.frame(VarCorr(fit))$grp)
  bias <- fixef(fit)[[2]]
  fixed <- max(bias^2 - vcov(fit)[2, 2], 0) / 2
  true <- v[["subject"]] + v[["occasion"]]
  add(d, p, "bias", bias)
  add(d, p, "CCC", true / (true + fixed + v[["own"]] + v[["Residual"]]))
}
add("versions", R.version$version.string, paste("lme4", packageVersion("lme4")), 0)
write.csv(out, file.path(folder, "concordance.csv"), row.names = FALSE, quote = TRUE)
