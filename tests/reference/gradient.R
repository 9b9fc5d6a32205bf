# Gradient of one variety's advantage over an index of the sites, with random slopes by site and
# year, as lme4 fits it:   Rscript tests/reference/gradient.R
# The numbers stand in tests/models/test_gradient_reference.py.
suppressPackageStartupMessages({ library(lmerTest); library(pbkrtest) })
script <- sub("--file=", "", grep("--file=", commandArgs(), value = TRUE))
d <- read.csv(file.path(dirname(normalizePath(script)), "data", "barley.csv"))
d$year <- factor(d$year)
d$x <- as.numeric(d$variety == "No. 475")
d$at <- (ave(d$yield, d$site) - mean(d$yield)) / 5
d$xc <- d$x - ave(d$x, d$site, d$year)
fit <- lmer(yield ~ 0 + site + x + x:at + (1 | year) + (1 | site:year) + (0 + xc | site) +
              (0 + xc | year), d,
            control = lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-11, maxfun = 1e5),
                                  check.conv.singular = "ignore"))
options(digits = 12)
print(as.data.frame(VarCorr(fit))[, c("grp", "var1", "vcov")])
print(REMLcrit(fit))
print(coef(summary(fit))[c("x", "x:at"), ])
print(coef(summary(fit, ddf = "Kenward-Roger"))[c("x", "x:at"), ])
