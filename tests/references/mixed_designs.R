# Fits the ten designs of mixed_designs.csv with lme4, lmerTest and pbkrtest and writes mixed_designs.json.
# lme4's own optimiser stops early, so its solution is refined by Newton steps on its own criterion
# (numDeriv); parameters it puts on the boundary are kept there. Run: Rscript mixed_designs.R
suppressMessages({library(lme4); library(lmerTest); library(pbkrtest); library(numDeriv); library(jsonlite)})
d <- read.csv("mixed_designs.csv", stringsAsFactors = FALSE)
for (v in c("batch", "sensor", "occasion", "construction")) d[[v]] <- factor(d[[v]])
d$construction <- relevel(d$construction, "plain")
models <- list(
  "intercept" = y ~ x + (1 | sensor),
  "line" = y ~ x + (1 + x | sensor),
  "line uncorrelated" = y ~ x + (1 + x || sensor),
  "line occasion" = y ~ x + (1 + x | sensor) + (1 | occasion),
  "intercept occasion" = y ~ x + (1 | sensor) + (1 | occasion),
  "batch sensor occasion" = y ~ x + (1 | batch) + (1 | sensor) + (1 | occasion),
  "batch line sensor line" = y ~ x + (1 + x | batch) + (1 + x | sensor),
  "constructions" = y ~ x * construction + (1 | batch) + (1 + x | sensor) + (1 | occasion),
  "no occasion effect" = y ~ x + (1 + x | sensor) + (1 | occasion),
  "no slope spread" = y ~ x + (1 + x | sensor))
out <- list()
for (name in names(models)) {
  part <- droplevels(d[d$design == name, ])
  f <- models[[name]]
  first <- suppressMessages(suppressWarnings(lme4::lmer(f, part,
    control = lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-10, maxfun = 1e5), calc.derivs = FALSE))))
  lf <- lFormula(f, part)
  devfun <- do.call(mkLmerDevfun, lf)
  theta <- getME(first, "theta")
  free <- theta > 1e-4 | lf$reTrms$lower < 0
  theta[!free] <- 0
  along <- function(p) { th <- theta; th[free] <- p; devfun(th) }
  p <- theta[free]
  for (i in 1:6) {
    g <- grad(along, p); h <- hessian(along, p)
    p <- p - qr.solve(h, g, tol = 1e-14)
  }
  theta[free] <- p
  steepest <- max(abs(grad(along, p)))
  final <- devfun(theta)
  opt <- list(par = theta, fval = final, feval = 1, conv = 0, message = "refined")
  m <- mkMerMod(environment(devfun), opt, lf$reTrms, fr = lf$fr)
  m@call <- first@call; m@call$formula <- f; m@call$data <- quote(part)
  mt <- lmerTest:::as_lmerModLT(m, devfun)
  devfun(theta)  # lmerTest moved the shared state while differencing
  b <- fixef(m); k <- length(b); L <- diag(k)
  V <- as.matrix(vcovAdj(m))
  kr_df <- sapply(1:k, function(i) get_Lb_ddf(m, L[i, ]))
  sat <- t(sapply(1:k, function(i) unlist(contest1D(mt, L[i, ])[c("Std. Error", "df")])))
  slopes <- L[-1, , drop = FALSE]
  two <- if (k == 2) L else slopes
  krf <- suppressMessages(KRmodcomp(m, two))$test["Ftest", ]
  stf <- contestMD(mt, two)
  out[[name]] <- list(
    n = nrow(part), lme4_default_criterion = REMLcrit(suppressMessages(suppressWarnings(lme4::lmer(f, part)))),
    criterion = final, theta = unname(theta), fixed_zero = unname(!free),
    gradient = steepest, sigma = sigma(m), beta = unname(b), se = unname(sqrt(diag(as.matrix(vcov(m))))),
    variances = lapply(VarCorr(m), function(v) matrix(as.numeric(v), nrow(v))),
    kr_se = unname(sqrt(diag(V))), kr_df = unname(kr_df), satterthwaite_df = unname(sat[, "df"]),
    kr_f = list(statistic = krf$stat, ndf = krf$ndf, ddf = krf$ddf, scale = krf$F.scaling, p = krf$p.value),
    satterthwaite_f = list(statistic = stf[["F value"]], ndf = stf[["NumDF"]], ddf = stf[["DenDF"]], p = stf[["Pr(>F)"]]),
    ranef_sensor = unname(as.matrix(ranef(m)$sensor)))
}
# what the default optimiser makes of the published example with a closed form
m <- lme4::lmer(Reaction ~ Days + (Days | Subject), lme4::sleepstudy)
out$sleepstudy_default <- list(variance_intercept = VarCorr(m)$Subject[1, 1], criterion = REMLcrit(m))
out$versions <- lapply(c(lme4 = "lme4", lmerTest = "lmerTest", pbkrtest = "pbkrtest"), function(x) as.character(packageVersion(x)))
out$versions$R <- as.character(getRversion())
write_json(out, "mixed_designs.json", digits = NA, auto_unbox = TRUE, pretty = TRUE)
