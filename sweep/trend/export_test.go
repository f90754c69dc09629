package trend

// Fit gives the coefficients, the scale and the log likelihood of a regression;
// the first column of x is the constant.
func Fit(y []float64, bound []bool, x [][]float64, resolution float64) (beta []float64, sigma, logLike float64, err error) {
	rows := make([]datum, len(y))
	for i := range rows {
		rows[i] = datum{y[i], bound[i], x[i]}
	}
	f, err := fit(rows, resolution)
	return f.beta, f.sigma, f.logLike, err
}
