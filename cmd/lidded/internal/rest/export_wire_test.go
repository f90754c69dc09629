package rest

import "lidded/sweep/uncertainty"

// BudgetOf is budgetOf, for tests.
func BudgetOf(r uncertainty.Result) *Budget { return budgetOf(r) }
