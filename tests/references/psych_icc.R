# Six intraclass correlations with limits by psych, to compare with drift.reliability.
# Run from this folder: Rscript psych_icc.R > psych_icc.csv
suppressMessages(library(psych))
cat("example,type,value,low,high,F,df1,df2\n")
show <- function(name, wide) {
  out <- suppressWarnings(suppressMessages(ICC(wide, lmer = FALSE)))$results
  for (i in seq_len(nrow(out)))
    cat(sprintf("%s,%s,%.12g,%.12g,%.12g,%.12g,%g,%g\n", name, out$type[i], out$ICC[i], out$`lower bound`[i],
                out$`upper bound`[i], out$F[i], out$df1[i], out$df2[i]))
}
wide <- function(d, row, col, value) {
  m <- tapply(d[[value]], list(d[[row]], d[[col]]), mean)
  as.data.frame(unclass(m))
}
at <- "../published/"
show("shrout-fleiss-1979-icc", wide(read.csv(paste0(at, "shrout-fleiss-1979-icc.csv")), "target", "judge", "rating"))
show("wine-judges-icc", wide(read.csv(paste0(at, "wine-judges-icc.csv")), "wine", "judge", "score"))
w <- read.csv(paste0(at, "weir-2005-icc-sem.csv"))
for (s in c("A", "B")) show(paste("weir-2005-icc-sem", s), wide(w[w$data_set == s, ], "subject", "trial", "score"))
cat(sprintf("psych version,%s,0,0,0,0,0,0\n", packageVersion("psych")))
