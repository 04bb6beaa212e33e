# Independent check of survival and incidence by cause: Rscript tests/references/make_life_data.R (R survival).
library(survival)
d <- read.csv('tests/published/meeker-shock-absorber.csv')
e <- factor(d$mode, levels=c("Censored","Mode1","Mode2"))
s <- summary(survfit(Surv(d$miles, e) ~ 1)); print(tail(s$pstate,1)); print(tail(s$std.err,1))
k<-summary(survfit(Surv(d$miles,d$status)~1)); print(k$surv); print(k$std.err)
