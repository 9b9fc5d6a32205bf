# Recomputes the values of values.json that come from R, model by model, and says how far each
# is from what is kept:   Rscript tests/reference/recompute.R
# Ends with status 1 where one is further than the tests allow. Needs lme4, lmerTest, pbkrtest,
# mgcv, metafor, geepack, MASS and jsonlite, for restricted count models glmmTMB; about a minute.
suppressPackageStartupMessages({
  library(lmerTest); library(mgcv); library(metafor); library(geepack); library(jsonlite)
})
script <- sub("--file=", "", grep("--file=", commandArgs(), value = TRUE))
folder <- normalizePath(dirname(script))
kept <- fromJSON(file.path(folder, "values.json"))$checks
data_of <- function(name, ...) read.csv(file.path(folder, "data", paste0(name, ".csv")), ...)
factors <- function(d, ...) { for (column in c(...)) d[[column]] <- factor(d[[column]]); d }

# The largest relative difference between two lists of numbers, remembered under the check's name.
compare <- function(check, found, wanted, allowed) {
  found <- unlist(found, use.names = FALSE); wanted <- unlist(wanted, use.names = FALSE)
  stopifnot(length(found) == length(wanted))
  gap <- max(abs(found - wanted) / pmax(abs(wanted), 1e-10))
  cat(sprintf("%-32s %3d numbers  %.1e%s\n", check, length(found), gap,
              if (gap > allowed) "  FURTHER THAN ALLOWED" else ""))
  worst[[check]] <<- max(worst[[check]], gap / allowed, na.rm = TRUE)
}
worst <- list()

# ---- mixed models as lme4 fits them -------------------------------------------------------
tight <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-11, maxfun = 1e5),
                     check.conv.singular = "ignore")
mixed <- function(check, form, d) {
  fit <- lmer(form, d, control = tight)
  table <- coef(summary(fit)); kr <- coef(summary(fit, ddf = "Kenward-Roger"))
  v <- kept[[check]]$values; terms <- names(v$fixed)
  spread <- as.data.frame(VarCorr(fit))$vcov
  compare(check, c(REMLcrit(fit), table[terms, "Estimate"], table[terms, "Std. Error"],
                   kr[terms, "Std. Error"]),
          c(v$reml_criterion, v$fixed, v$se, v$kr_se), 1e-6)
  compare(paste(check, "(df)"), c(table[terms, "df"], kr[terms, "df"]),
          c(v$satterthwaite_df, v$kr_df), 1e-3)
  compare(paste(check, "(variances)"), sort(spread), sort(unlist(v$variance_or_covariance)), 1e-4)
}
sleep <- data_of("sleepstudy")
mixed("sleepstudy_random_intercept", Reaction ~ Days + (1 | Subject), sleep)
mixed("sleepstudy_uncorrelated_slope", Reaction ~ Days + (1 | Subject) + (0 + Days | Subject), sleep)
mixed("sleepstudy_correlated_slope", Reaction ~ Days + (Days | Subject), sleep)
mixed("dyestuff", Yield ~ 1 + (1 | Batch), data_of("Dyestuff"))
mixed("penicillin_crossed", diameter ~ 1 + (1 | plate) + (1 | sample), data_of("Penicillin"))
mixed("pastes_nested", strength ~ 1 + (1 | batch / cask), data_of("Pastes"))
machines <- factors(data_of("Machines"), "Worker")
mixed("machines_nested", score ~ Machine + (1 | Worker / Machine), machines)
mixed("machines_intercept_only", score ~ Machine + (1 | Worker), machines)
mixed("machines_unbalanced", score ~ Machine + (1 | Worker / Machine),
      machines[-c(2, 3, 6, 8, 9, 12, 19, 20, 27, 33), ])
oats <- data_of("Oats"); oats$N <- factor(oats$nitro)
mixed("oats_variety_nitro", yield ~ Variety + nitro + (1 | Block / Variety), oats)
mixed("oats_additive", yield ~ Variety + N + (1 | Block / Variety), oats)
mixed("oats_factorial", yield ~ Variety * N + (1 | Block / Variety), oats)
mixed("oats_unbalanced", yield ~ Variety + N + (1 | Block / Variety),
      oats[-c(1, 2, 3, 5, 8, 13, 21, 34, 55), ])
mixed("beets_split_plot", sugpct ~ block + sow + harvest + (1 | block:harvest), data_of("beets"))

zero <- lm(Yield ~ 1, data_of("Dyestuff2"))  # no batch effect is left
v <- kept$dyestuff2_boundary$values
compare("dyestuff2_boundary", c(coef(zero), sqrt(vcov(zero)), sigma(zero)^2),
        c(v$fixed, v$se, v$residual_variance), 1e-9)
steel <- anova(lm(resistance ~ factor(instrument), data_of("SiRstv")))
v <- kept$nist_sirstv$values
compare("nist_sirstv", c(steel[1, "F value"], (steel[1, 3] - steel[2, 3]) / 5),
        c(v$certified$F, v$reml_instrument_variance_from_certified), 1e-8)

# ---- penalised splines: mgcv ----------------------------------------------------------------
spline <- function(check, form, d, terms = names(kept[[check]]$values$coef)) {
  fit <- suppressWarnings(gam(form, data = d, method = "REML", control = gam.control(epsilon = 1e-12,
                          newton = list(conv.tol = 1e-10))))
  v <- kept[[check]]$values
  compare(check, c(coef(fit)[terms], sqrt(diag(vcov(fit)))[terms], fit$sig2),
          c(v$coef[terms], v$se_bayesian[terms], v$residual_variance), 1e-4)
}
spline("pspline_mcycle", accel ~ s(times, bs = "ps", k = 20, m = c(2, 2)), data_of("mcycle"))
pigs <- factors(data_of("dietox"), "Litter", "Pig")
pigs$Evit <- factor(pigs$Evit); pigs$Cu <- factor(pigs$Cu)
spline("pspline_dietox_nested", Weight ~ Evit + Cu + s(Time, bs = "ps", k = 10, m = c(2, 2)) +
       s(Litter, bs = "re") + s(Pig, bs = "re"), pigs)
wheat <- factors(data_of("Wheat2"), "Block")
wheat$variety <- relevel(factor(wheat$variety), "ARAPAHOE")
spline("pspline_wheat2_two_trends", yield ~ variety + s(latitude, bs = "ps", k = 10, m = c(2, 2)) +
       s(longitude, bs = "ps", k = 10, m = c(2, 2)) + s(Block, bs = "re"), wheat)

# ---- known sampling variances: metafor --------------------------------------------------------
accurate <- list(optimizer = "optim", optmethod = "BFGS", reltol = 1e-14, maxit = 1000)
log_sd <- function(sd, nu) log(sd) - (digamma(nu / 2) - log(nu / 2)) / 2
speed <- aggregate(Speed ~ Expt, data_of("morley"), sd)$Speed
v <- kept$log_sd_formulas$values
compare("log_sd_formulas", c(log_sd(speed, 19), trigamma(19 / 2) / 4, log(speed) + 1 / 38),
        c(v$lnsd_exact, v$var_exact[1], v$lnsd_approx), 1e-12)
schools <- data_of("Hsb82_school_sd"); half <- 1 / (2 * (schools$n - 1))
fit <- rma(log(schools$sd) + half, half, mods = ~ I(schools$sector == "Catholic"),
           control = list(threshold = 1e-12, maxiter = 1000))
v <- kept$lnsd_meta_regression_hsb$values
compare("lnsd_meta_regression_hsb", c(fit$beta, fit$se, fit$tau2),
        c(v$intercept_public, v$catholic_minus_public, v$se, v$tau2), 1e-5)
classes <- data_of("star_grade3_class_sd"); classes$cltype <- relevel(factor(classes$cltype), "reg")
classes$id <- seq_len(nrow(classes)); nu <- classes$n - 1
fit <- rma.mv(log_sd(classes$sd, nu), trigamma(nu / 2) / 4, mods = ~ cltype,
              random = list(~ 1 | sch, ~ 1 | id), data = classes, control = accurate)
v <- kept$lnsd_nested_star$values
compare("lnsd_nested_star", c(fit$beta, fit$se, fit$sigma2),
        c(v$coef, v$se, v$var_school, v$var_class), 1e-3)
cells <- aggregate(score ~ Worker + Machine, machines, sd)
fit <- rma(log_sd(cells$score, 2), trigamma(1) / 4, mods = ~ Machine, data = cells, method = "FE")
v <- kept$lnsd_boundary_machines$values
compare("lnsd_boundary_machines", c(fit$beta, fit$se), c(v$coef, v$se), 1e-5)
trials <- with(data_of("BCG"), escalc("RR", ai = BCGTB, n1i = BCGVacc, ci = NoVaccTB, n2i = NoVacc))
fit <- rma(yi, vi, data = trials, control = list(threshold = 1e-12))
v <- kept$bcg_meta_analysis$values$log_risk_ratio$REML
compare("bcg_meta_analysis", c(fit$beta, fit$se, fit$tau2, fit$QE), c(v$coef, v$se, v$tau2, v$Q), 1e-5)

# ---- counts -----------------------------------------------------------------------------------
herds <- factors(data_of("cbpp"), "period", "herd")
inner <- glmerControl(optimizer = "bobyqa", tolPwrss = 1e-13, optCtrl = list(rhoend = 1e-10))
fit <- glmer(cbind(incidence, size - incidence) ~ period + (1 | herd), herds, binomial, control = inner)
v <- kept$cbpp_binomial_glmm$values$laplace
compare("cbpp_binomial_glmm", c(fixef(fit), sqrt(VarCorr(fit)$herd[1]), logLik(fit)),
        c(v$fixed, v$sd_herd, v$loglik), 1e-4)
animals <- herds[rep(seq_len(nrow(herds)), herds$size), ]
animals$sick <- as.numeric(sequence(herds$size) <= animals$incidence)
fit <- geeglm(sick ~ period, binomial, animals, id = herd, corstr = "independence",
              control = geese.control(epsilon = 1e-12))
v <- kept$cbpp_gee$values$independence
compare("cbpp_gee", c(coef(fit), sqrt(diag(fit$geese$vbeta))), c(v$coef, v$se_robust), 1e-6)
seizures <- data_of("epil")
fit <- glmer(y ~ lbase * trt + lage + V4 + (1 | subject), seizures, poisson, control = inner)
v <- kept$epil_poisson_nb_glmm$values$poisson_laplace
compare("epil_poisson_nb_glmm", c(fixef(fit)[names(v$fixed)], sqrt(VarCorr(fit)$subject[1]), logLik(fit)),
        c(v$fixed, v$sd_subject, v$loglik), 1e-3)
fit <- geeglm(y ~ age + trt + base, poisson, seizures, id = subject, corstr = "exchangeable",
              control = geese.control(epsilon = 1e-12, maxit = 100))
v <- kept$epil_gee$values$moment_estimator_df_corrected
compare("epil_gee", c(coef(fit), sqrt(diag(fit$geese$vbeta))), c(v$coef, v$se_robust), 1e-6)
# Restricted likelihood: fixed effects integrated out too, errors by the joint Hessian.
if (requireNamespace("glmmTMB", quietly = TRUE)) {
  exact <- glmmTMB::glmmTMBControl(
    optCtrl = list(rel.tol = 1e-15, x.tol = 1e-12, iter.max = 1e3, eval.max = 2e3))
  restricted <- function(check, key, form, d, family, subjects = NULL) {
    fit <- suppressWarnings(
      glmmTMB::glmmTMB(form, d, family = family, REML = TRUE, control = exact))
    v <- kept[[check]]$values[[key]]
    found <- c(glmmTMB::fixef(fit)$cond, sqrt(diag(vcov(fit)$cond)),
               sqrt(unlist(glmmTMB::VarCorr(fit)$cond)), logLik(fit))
    if (!is.null(v$theta)) found <- c(found, sigma(fit))
    wanted <- c(v$fixed, v$se, v$sd, v$loglik, v$theta)
    for (one in names(subjects)) {
      # The slope of one subject: the fixed slope and its deviation.
      V <- solve(as.matrix(TMB::sdreport(fit$obj, getJointPrecision = TRUE)$jointPrecision))
      par <- fit$obj$env$last.par.best; L <- rep(0, length(par))
      L[which(names(par) == "beta")[3]] <- 1
      L[which(names(par) == "b")[59 + as.integer(one)]] <- 1
      found <- c(found, sum(L * par), sqrt(drop(L %*% V %*% L)))
      wanted <- c(wanted, subjects[[one]])
    }
    compare(paste(check, key), found, wanted, 5e-6)
  }
  seizures$trt <- relevel(factor(seizures$trt), "placebo"); seizures$subject <- factor(seizures$subject)
  seizures$later <- seizures$period - 2.5
  few <- droplevels(subset(seizures, subject %in% c(1:6, 29:34)))
  check <- "epil_poisson_nb_glmm"; full <- y ~ lbase * trt + lage + V4 + (1 | subject)
  restricted("cbpp_binomial_glmm", "reml", cbind(incidence, size - incidence) ~ period + (1 | herd),
             herds, binomial)
  restricted(check, "poisson_reml", full, seizures, poisson)
  restricted(check, "nb2_reml", full, seizures, glmmTMB::nbinom2)
  restricted(check, "nb2_reml_few", y ~ trt + V4 + (1 | subject), few, glmmTMB::nbinom2)
  restricted(check, "poisson_reml_slope", y ~ trt + later + (1 | subject) + (0 + later | subject),
             seizures, poisson, kept[[check]]$values$poisson_reml_slope$subjects)
}
fit <- MASS::glm.nb(Days ~ Eth + Sex + Age + Lrn, data_of("quine"), control = glm.control(1e-12))
v <- kept$quine_negative_binomial$values
compare("quine_negative_binomial", c(coef(fit), fit$theta, fit$twologlik),
        c(v$coef, v$theta, v$twice_loglik), 1e-5)
ships <- factors(subset(data_of("ships"), service > 0), "type", "year", "period")
fit <- glm(incidents ~ type + year + period + offset(log(service)), poisson, ships, epsilon = 1e-14)
v <- kept$ships_poisson_exposure$values
compare("ships_poisson_exposure", c(coef(fit), deviance(fit)), c(v$coef, v$deviance), 1e-6)

# ---- the rest ---------------------------------------------------------------------------------
v <- kept$benjamini_hochberg_1995$values
compare("benjamini_hochberg_1995", p.adjust(v$p, "BH"), v$adjusted_BH, 1e-12)
rule <- kept$nist_smls$values$construction
treatment <- function(digit) rule$first_decimal_of_first_row[digit] + c(0, rep(c(-1, 1), 1000))
y <- 1 + unlist(lapply(1:9, treatment)) / 10
v <- kept$nist_smls$values$certified_all_three
compare("nist_smls", anova(lm(y ~ gl(9, 2001)))[1, "F value"], v$F, 1e-9)

missing <- setdiff(names(kept), sub(" .*", "", names(worst)))
if (length(missing)) cat("not recomputed:", missing, "\n")
quit(status = as.integer(length(missing) > 0 || any(unlist(worst) > 1)))
