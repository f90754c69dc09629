package rest

// OutlookOf is a plan on a bench as REST shows it, for others that print JSON.
func OutlookOf(p PlanOn) PlanOutlook { return outlookOf(p) }
