# Straight line with readings cut off at 900 and at 0: maximum likelihood by survreg. Run in this folder.
library(survival)
d <- read.csv("censored_curve.csv")
lo <- ifelse(d$y <= 0, NA, d$y)
hi <- ifelse(d$y >= 900, NA, d$y)
s <- survreg(Surv(lo, hi, type = "interval2") ~ x, d, dist = "gaussian")
v <- sqrt(diag(vcov(s)))
cat(sprintf('{"intercept": %.10g, "slope": %.10g, "sigma": %.10g, "se_intercept": %.10g, "se_slope": %.10g}\n',
            coef(s)[1], coef(s)[2], s$scale, v[1], v[2]), file = "censored_curve.json")
