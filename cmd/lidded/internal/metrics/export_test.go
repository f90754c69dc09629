package metrics

import "github.com/prometheus/client_golang/prometheus"

// Gatherer gives the tests what is told, without HTTP.
func (m *Metrics) Gatherer() prometheus.Gatherer { return m.registry }
