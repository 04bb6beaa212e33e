# A variance for every method, targets as fixed effects, by nlme; limits with the mean by sums of squares of aov:
#   Rscript tests/references/several_methods.R tests/references
# Blood pressure of 85 people by two observers and a machine (tests/published): first readings, first readings with
# gaps, and four columns (J, R, S of the first and S of the second reading) of 40 people, whole and with gaps.
# Rows of the result: data, quantity, value. Versions used stand in its last row.
library(nlme)
folder <- commandArgs(trailingOnly = TRUE)[1]
x <- read.csv(file.path(folder, "..", "published", "bland-altman-1999-sbp.csv"))
out <- data.frame()
add <- function(d, q, v) out <<- rbind(out, data.frame(data = d, quantity = q, value = sprintf("%.12g", v)))
first <- x[x$replicate == 1, c("method", "subject", "sbp")]
four <- rbind(first, transform(x[x$replicate == 2 & x$method == "S", c("method", "subject", "sbp")], method = "S2"))
four <- four[four$subject <= 40, ]
gaps <- function(y) {
  place <- match(y$method, c("J", "R", "S", "S2"))
  y <- y[(y$subject * 7 + place * 3) %% 5 != 0, ]
  y[ave(y$sbp, y$subject, FUN = length) > 1, ]
}
control <- glsControl(msMaxIter = 5000, maxIter = 500, msTol = 1e-10, tolerance = 1e-8, opt = "optim",
                      optimMethod = "BFGS")
for (d in c("three", "three, gaps", "four", "four, gaps")) {
  y <- if (startsWith(d, "three")) first else four
  if (endsWith(d, "gaps")) y <- gaps(y)
  y$method <- factor(y$method)
  y$subject <- factor(y$subject)
  fit <- gls(sbp ~ 0 + method + subject, y, weights = varIdent(form = ~ 1 | method), method = "REML", control = control)
  ratio <- coef(fit$modelStruct$varStruct, unconstrained = FALSE, allCoef = TRUE)
  for (m in levels(y$method)) add(d, paste("variance", m), (fit$sigma * ratio[[m]])^2)
  mean <- coef(fit)[paste0("method", levels(y$method))]
  for (m in levels(y$method)) add(d, paste("mean", m), mean[[paste0("method", m)]] - mean(mean))
  if (!endsWith(d, "gaps")) {
    ss <- summary(aov(sbp ~ subject + method, y))[[1]][["Sum Sq"]]
    n <- nlevels(y$subject); k <- nlevels(y$method); nu <- c(k - 1, (n - 1) * (k - 1)); s <- ss[2:3]
    add(d, "limit", 1.96 * sqrt(sum(s) / (n * k)))
    add(d, "limit low", 1.96 * sqrt((sum(s) - sqrt(sum(((1 - nu / qchisq(0.975, nu)) * s)^2))) / (n * k)))
    add(d, "limit high", 1.96 * sqrt((sum(s) + sqrt(sum(((nu / qchisq(0.025, nu) - 1) * s)^2))) / (n * k)))
  }
}
add("versions", paste(R.version$version.string, "nlme", packageVersion("nlme")), 0)
write.csv(out, file.path(folder, "several_methods.csv"), row.names = FALSE, quote = TRUE)
