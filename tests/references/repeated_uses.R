# Trend, variances with the trend removed and left in, and equal residual variances, by nlme, lme4, pbkrtest and stats,
# to compare with drift.engine.repeated_uses and drift.engine.paired_reliability.
# Run from this folder: Rscript repeated_uses.R > repeated_uses.csv
suppressMessages({library(lme4); library(nlme); library(pbkrtest)})
d <- read.csv("repeated_uses_data.csv")
ctl <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-10, maxfun = 1e6))
cat("layout,quantity,value\n")
out <- function(layout, quantity, value) cat(sprintf("%s,%s,%.12g\n", layout, quantity, value))
for (name in c("complete", "missing")) {
  x <- d[d$layout == name, ]
  x$u <- (x$use - mean(x$use)) / 10
  x$occasion <- factor(x$use)
  # The trend with a line for each target, nothing shared at one use: nlme for the estimate, Kenward-Roger by pbkrtest.
  m <- lme(reading ~ u, random = ~ u | target, data = x)
  out(name, "nlme slope", fixef(m)[["u"]] / 10)
  f <- suppressMessages(lmer(reading ~ u + (u | target), x, control = ctl))
  v <- vcovAdj(f)
  out(name, "KR slope", fixef(f)[["u"]] / 10)
  out(name, "KR std_error", sqrt(v[2, 2]) / 10)
  out(name, "KR df", get_Lb_ddf(f, c(0, 1)))
  # The trend removed: use as covariate, occasions and targets random.
  g <- suppressMessages(lmer(reading ~ u + (1 | target) + (1 | occasion), x, control = ctl))
  h <- suppressMessages(lmer(reading ~ 1 + (1 | target) + (1 | occasion), x, control = ctl))
  for (part in c("target", "occasion", "Residual")) {
    vg <- as.data.frame(VarCorr(g)); vh <- as.data.frame(VarCorr(h))
    out(name, paste("removed", part), vg$vcov[vg$grp == part])
    out(name, paste("left in", part), vh$vcov[vh$grp == part])
  }
}
# Equal residual variances of two levels that share all cells: Pitman-Morgan on residuals of the additive fit, with the
# degrees of freedom of the residuals; the likelihood ratio of the bivariate normal. As if independent: F.
x <- d[d$layout == "two levels", ]
r <- lapply(c("a", "b"), function(l) {
  y <- x[x$level == l, ]; y <- y[order(y$target, y$use), ]
  resid(lm(reading ~ target + factor(use), y))
})
df <- 11 * 5
ss <- sapply(r, function(e) sum(e^2))
cross <- sum(r[[1]] * r[[2]])
rds <- (ss[1] - ss[2]) / sqrt((ss[1] + ss[2])^2 - 4 * cross^2)
t <- rds * sqrt((df - 1) / (1 - rds^2))
out("two levels", "variance ratio", ss[1] / ss[2])
out("two levels", "correlation", cross / sqrt(prod(ss)))
out("two levels", "Pitman-Morgan p", 2 * pt(-abs(t), df - 1))
out("two levels", "likelihood ratio", -df * log(1 - rds^2))
# The interval by search: ratios that the same test does not reject.
test <- function(q) { s <- c(ss[1], q * ss[2]); k <- sqrt(q) * cross
  w <- (s[1] - s[2]) / sqrt((s[1] + s[2])^2 - 4 * k^2); 2 * pt(-abs(w * sqrt((df - 1) / (1 - w^2))), df - 1) - 0.05 }
f0 <- ss[1] / ss[2]
out("two levels", "ratio low", uniroot(test, c(f0 / 20, f0), tol = 1e-12)$root)
out("two levels", "ratio high", uniroot(test, c(f0, f0 * 20), tol = 1e-12)$root)
set.seed(1)
one <- rnorm(30, 0, 2); two <- rnorm(20)
v <- var.test(one, two)
out("var.test", "sum of squares 1", 29 * var(one)); out("var.test", "sum of squares 2", 19 * var(two))
out("var.test", "p", v$p.value); out("var.test", "low", v$conf.int[1]); out("var.test", "high", v$conf.int[2])
out("holm", "p1", p.adjust(c(0.01, 0.04, 0.03), "holm")[1])
out("holm", "p2", p.adjust(c(0.01, 0.04, 0.03), "holm")[2])
out("holm", "p3", p.adjust(c(0.01, 0.04, 0.03), "holm")[3])
cat(sprintf("versions,lme4 %s nlme %s pbkrtest %s,0\n", packageVersion("lme4"), packageVersion("nlme"), packageVersion("pbkrtest")))
