# Random intercept and exponentially decaying errors with a nugget: nlme, REML. Writes correlated_errors.json.
library(nlme)
d <- read.csv("correlated_errors.csv")
fit <- lme(response ~ use, random = ~ 1 | sensor, data = d, method = "REML",
           correlation = corExp(form = ~ use | sensor, nugget = TRUE))
par <- coef(fit$modelStruct$corStruct, unconstrained = FALSE)
out <- sprintf('{"loglik": %.8f, "slope": %.10f, "slope_se": %.10f, "phi": %.8f, "nugget": %.8f, "R": "%s", "nlme": "%s"}',
               as.numeric(logLik(fit)), fixef(fit)[2], sqrt(vcov(fit)[2, 2]), exp(-1 / par[1]), par[2],
               as.character(getRversion()), as.character(packageVersion("nlme")))
writeLines(out, "correlated_errors.json")
