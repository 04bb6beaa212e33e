# Independent check of lives of units that entered late: Rscript tests/references/late_entries.R (R survival, optim).
library(survival)
d <- read.csv("tests/references/late_entries.csv")
out <- data.frame()
put <- function(what, at, value, se = NA) out <<- rbind(out, data.frame(what = what, at = at, value = value, se = se))
k <- summary(survfit(Surv(entry, uses, failed) ~ 1, data = d, timefix = FALSE))
for (i in seq_along(k$time)) {
  put("at risk", k$time[i], k$n.risk[i])
  put("survival", k$time[i], k$surv[i], k$std.err[i])
}
cause <- factor(ifelse(d$failed == 1, d$cause, "none"), levels = c("none", "crease", "trace"))
m <- summary(survfit(Surv(d$entry, d$uses, cause) ~ 1, id = seq_len(nrow(d))))
for (i in seq_along(m$time)) for (j in 2:3) put(m$states[j], m$time[i], m$pstate[i, j], m$std.err[i, j])
log_s <- list(weibull = function(t, mu, s) -exp((log(t) - mu) / s),
              lognormal = function(t, mu, s) pnorm((log(t) - mu) / s, lower.tail = FALSE, log.p = TRUE))
log_f <- list(weibull = function(t, mu, s) dweibull(t, 1 / s, exp(mu), log = TRUE),
              lognormal = function(t, mu, s) dlnorm(t, mu, s, log = TRUE))
q <- list(weibull = function(p) log(-log(1 - p)), lognormal = qnorm)
for (family in c("weibull", "lognormal")) {
  ll <- function(mu, s) sum(ifelse(d$failed == 1, log_f[[family]](d$uses, mu, s), log_s[[family]](d$uses, mu, s))
                            - ifelse(d$entry > 0, log_s[[family]](pmax(d$entry, 1e-9), mu, s), 0))
  best <- optim(c(3.4, -0.7), function(x) -ll(x[1], exp(x[2])), method = "BFGS", control = list(reltol = 1e-15))
  best <- optim(best$par, function(x) -ll(x[1], exp(x[2])), method = "BFGS", control = list(reltol = 1e-16), hessian = TRUE)
  put(paste(family, "mu"), NA, best$par[1], sqrt(solve(best$hessian)[1, 1]))
  put(paste(family, "log sigma"), NA, best$par[2], sqrt(solve(best$hessian)[2, 2]))
  put(paste(family, "log-likelihood"), NA, -best$value)
  w <- q[[family]](0.1)
  top <- best$par[1] + exp(best$par[2]) * w
  profile <- function(y) optimize(function(ls) ll(y - exp(ls) * w, exp(ls)), c(-4, 2), maximum = TRUE, tol = 1e-12)$objective
  drop <- function(y) 2 * (-best$value - profile(y)) - qchisq(0.95, 1)
  put(paste(family, "life 10 % low"), NA, exp(uniroot(drop, c(top - 3, top), tol = 1e-12)$root))
  put(paste(family, "life 10 % high"), NA, exp(uniroot(drop, c(top, top + 2), tol = 1e-12)$root))
}
write.csv(out, "tests/references/late_entries_r.csv", row.names = FALSE)
print(R.version.string); print(packageVersion("survival"))
