# Makes segmented_r.json: broken lines fitted by the package segmented (V. M. R. Muggeo) to five
# data sets.  Run by hand where R is at hand; the tests read only the JSON.
#
#   Rscript segmented_r.R        (in a directory with elecdaily.csv and airquality.csv)
#
# elecdaily.csv (Demand, WorkDay, Temperature) is fpp2::elecdaily, airquality.csv (Ozone, Temp,
# rows without missing values) is datasets::airquality.
suppressMessages(library(segmented))

ask <- seg.control(tol = 1e-12, it.max = 200, n.boot = 50, seed = 1)

number <- function(v) format(v, digits = 12, scientific = FALSE, trim = TRUE)

fitted_line <- function(name, model, z, start) {
  fit <- segmented(model, seg.Z = z, psi = start, control = ask)
  b <- coef(fit)
  b <- b[!startsWith(names(b), "psi")]
  parts <- c(
    sprintf('"change_point": %s', number(fit$psi[1, "Est."])),
    sprintf('"change_point_se": %s', number(fit$psi[1, "St.Err"])),
    sprintf('"sse": %s', number(sum(resid(fit)^2))),
    sprintf(
      '"coefficients": {%s}',
      paste(sprintf('"%s": %s', names(b), sapply(b, number)), collapse = ", ")
    )
  )
  sprintf('  "%s": {\n    %s\n  }', name, paste(parts, collapse = ",\n    "))
}

monthly <- data.frame(
  t = c(31, 35, 43, 53, 63, 72, 77, 75, 68, 57, 46, 36),
  y = c(318, 314, 306, 297, 299, 331, 352, 343, 316, 295, 303, 312)
)
daily <- read.csv("elecdaily.csv")
air <- read.csv("airquality.csv")
data(stagnant)

writeLines(
  c("{", paste(c(
    sprintf('  "made_with": "R %s, segmented %s"', getRversion(), packageVersion("segmented")),
    fitted_line("monthly", lm(y ~ t, monthly), ~t, 60),
    fitted_line("elecdaily", lm(Demand ~ Temperature, daily), ~Temperature, 22),
    fitted_line("elecdaily_workday", lm(Demand ~ Temperature + WorkDay, daily), ~Temperature, 22),
    fitted_line("stagnant", lm(y ~ x, stagnant), ~x, 0),
    fitted_line("airquality", lm(Ozone ~ 1, air), ~Temp, 75)
  ), collapse = ",\n"), "}"),
  "segmented_r.json"
)
