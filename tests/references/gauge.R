# Unbalanced gauge studies by lme4 (crossed with interaction, crossed without, nested) and the balanced one by aov.
# Rscript gauge.R  reads gauge_layouts.csv (case, part, operator, value), writes gauge.csv
suppressMessages(library(lme4))
d <- read.csv("gauge_layouts.csv", colClasses = c("character", "character", "character", "numeric"))
out <- data.frame()
add <- function(case, model, fit) {
  v <- as.data.frame(VarCorr(fit))
  out <<- rbind(out, data.frame(case = case, model = model, component = v$grp, variance = sprintf("%.12g", v$vcov)))
}
control <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhobeg = 0.1, rhoend = 1e-9, maxfun = 1e5),
                       check.conv.singular = "ignore")
for (case in unique(d$case)) {
  x <- d[d$case == case, ]
  if (case == "nested") {
    add(case, "nested", lmer(value ~ 1 + (1 | operator) + (1 | operator:part), x, control = control))
  } else {
    add(case, "interaction", lmer(value ~ 1 + (1 | part) + (1 | operator) + (1 | part:operator), x, control = control))
    add(case, "pooled", lmer(value ~ 1 + (1 | part) + (1 | operator), x, control = control))
  }
  if (case == "balanced") {
    a <- summary(aov(value ~ factor(part) * factor(operator), x))[[1]]
    out <- rbind(out, data.frame(case = case, model = "aov mean square", component = trimws(rownames(a)),
                                 variance = sprintf("%.12g", a[["Mean Sq"]])))
  }
  # the exact F test of the interaction with unequal numbers: sequential, last term
  if (case == "unbalanced") {
    a <- summary(aov(value ~ factor(part) + factor(operator) + factor(part):factor(operator), x))[[1]]
    out <- rbind(out, data.frame(case = case, model = "aov interaction", component = c("F", "p"),
                                 variance = sprintf("%.12g", c(a[["F value"]][3], a[["Pr(>F)"]][3]))))
  }
}
write.csv(out, "gauge.csv", row.names = FALSE, quote = FALSE)
