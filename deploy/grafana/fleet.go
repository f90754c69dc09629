package main

import (
	"github.com/grafana/grafana-foundation-sdk/go/common"
	"github.com/grafana/grafana-foundation-sdk/go/dashboard"
	"github.com/grafana/grafana-foundation-sdk/go/prometheus"
	"github.com/grafana/grafana-foundation-sdk/go/stat"
	"github.com/grafana/grafana-foundation-sdk/go/table"
	"github.com/grafana/grafana-foundation-sdk/go/units"
)

// buildFleet is the dashboard of a lab with many benches. What the recording
// rules reckon is read from them.
func buildFleet() *dashboard.DashboardBuilder {
	return board("lidded-fleet", "lidded: all benches", "Benches of a lab side by side, and how their records come to it.").
		WithRow(dashboard.NewRowBuilder("Now")).
		WithPanel(numbers("Benches", "By the state of their newest run.", `lab:lidded_benches_by_state:count`, "{{state}}", units.Short)).
		WithPanel(numbers("Sources on", "On, or not confirmed off, in the whole lab.", `sum(lidded_source_on)`, "on", units.Short)).
		WithPanel(numbers("Instruments that do not answer", "In the whole lab.", `count(lidded_instrument_up == 0) or vector(0)`, "down", units.Short)).
		WithPanel(numbers("Lowest headroom of the lab", "What is shown over what is required; below zero it is not shown.", `lab:lidded_worst_requirement_headroom_db:min`, "lowest", units.Decibel)).
		WithPanel(numbers("Runs within a day", "That ended, however.", `lab:lidded_runs:increase1d`, "runs", units.Short)).
		WithPanel(numbers("Of these failed", "No value on a day without runs.", `lab:lidded_runs_failed:ratio1d`, "failed", units.PercentUnit)).
		WithPanel(numbers("Hours on air within a day", "Of all sources together.", `lab:lidded_source_on_hours:increase1d`, "hours", units.Short)).
		WithPanel(onOff("Lab", "Whether its server can read it.", `lidded_lab_readable`, "{{instance}}", "AWAY", "readable", false)).
		WithRow(dashboard.NewRowBuilder("Benches")).
		WithPanel(benches()).
		WithPanel(lines("Runs within a day", "By bench.", units.Short, half).Min(0).
			WithTarget(query(`bench:lidded_runs:increase1d`+of, "{{bench}}"))).
		WithPanel(lines("Share of failed runs", "By bench, within a day.", units.PercentUnit, half).Min(0).Max(1).
			WithTarget(query(`bench:lidded_runs_failed:ratio1d`+of, "{{bench}}"))).
		WithPanel(lines("Hours on air within a day", "By bench.", units.Short, half).Min(0).
			WithTarget(query(`bench:lidded_source_on_hours:increase1d`+of, "{{bench}}"))).
		WithPanel(lines("Time since a run last completed", "By bench, of any plan.", units.Seconds, half).Min(0).
			WithTarget(query(`bench:lidded_last_success_age_seconds:min`+of, "{{bench}}"))).
		WithPanel(lines("Lowest headroom to the requirement", "By bench; below zero it is not shown.", units.Decibel, half).
			WithTarget(query(`bench:lidded_worst_requirement_headroom_db:min`+of, "{{bench}}"))).
		WithPanel(lines("The ten specimens with the lowest headroom", "Of the benches chosen.", units.Decibel, half).
			WithTarget(query(`bottomk(10, lidded_worst_requirement_headroom_db`+of+`)`, "{{specimen}} on {{bench}}"))).
		WithRow(dashboard.NewRowBuilder("Shipping to the lab")).
		WithPanel(lines("Daemons that reach the lab", "Share of those that ship.", units.PercentUnit, half).Min(0).Max(1).
			WithTarget(query(`lab:lidded_lab_up:avg`, "reach it"))).
		WithPanel(lines("Lag", "How long the oldest record of each daemon has waited.", units.Seconds, half).Min(0).
			WithTarget(query(`lidded_lab_lag_seconds`, "{{instance}}")).
			WithTarget(query(`lab:lidded_lab_lag_seconds:max`, "highest"))).
		WithPanel(lines("Records that wait", "By daemon.", units.Short, half).Min(0).
			WithTarget(query(`lidded_lab_lag_records`, "{{instance}}"))).
		WithPanel(lines("Records shipped", "Per second, of all daemons.", units.Short, half).Min(0).
			WithTarget(query(`lab:lidded_lab_shipped_records:rate5m`, "records"))).
		WithPanel(lines("Traces shipped", "By daemon.", units.BytesPerSecondIEC, half).Min(0).
			WithTarget(query(`rate(lidded_lab_shipped_bytes_total[$__rate_interval])`, "{{instance}}"))).
		WithPanel(lines("Results shipped, and captures without traces", "In the time shown.", units.Short, half).Min(0).
			WithTarget(query(`sum(increase(lidded_lab_shipped_results_total[$__range]))`, "runs with results")).
			WithTarget(query(`sum(increase(lidded_lab_shipped_without_traces_total[$__range]))`, "captures without traces"))).
		WithPanel(lines("Daemons as the lab's server sees them", "1 while a daemon answers.", units.Short, half).Min(0).Max(1).
			WithTarget(query(`lidded_lab_daemon_up`, "{{daemon}}"))).
		WithPanel(lines("Months with partitions ahead", "Made by a timer.", units.Short, half).Min(0).
			WithTarget(query(`lidded_lab_partitions_ahead_months`, "{{instance}}")))
}

// numbers shows values large, with their names.
func numbers(title, about, expr, legend, unit string) *stat.PanelBuilder {
	return state(title, about, expr, legend).TextMode(common.BigValueTextModeValueAndName).Unit(unit)
}

// benches lists every bench with its day.
func benches() *table.PanelBuilder {
	of := func(expr, column string) *prometheus.DataqueryBuilder {
		return now(expr, "").Format(prometheus.PromQueryFormatTable).RefId(column)
	}
	return table.NewPanelBuilder().
		Title("Benches").Description("Runs, failures and hours on air within a day; the lowest headroom of what each measured last.").Datasource(source()).Height(2 * high).Span(full).
		WithTarget(of(`max by (bench, state) (lidded_run_state{bench=~"$bench"} == 1)`, "A")).
		WithTarget(of(`max by (bench) (bench:lidded_runs:increase1d{bench=~"$bench"})`, "B")).
		WithTarget(of(`max by (bench) (bench:lidded_runs_failed:ratio1d{bench=~"$bench"})`, "C")).
		WithTarget(of(`max by (bench) (bench:lidded_source_on_hours:increase1d{bench=~"$bench"})`, "D")).
		WithTarget(of(`max by (bench) (bench:lidded_worst_requirement_headroom_db:min{bench=~"$bench"})`, "E")).
		WithTransformation(dashboard.DataTransformerConfig{Id: "merge", Options: map[string]any{}}).
		WithTransformation(columns(map[string]string{
			"Value #B": "runs", "Value #C": "failed, share", "Value #D": "on air, h", "Value #E": "headroom, dB",
		}, "bench", "state", "Value #B", "Value #C", "Value #D", "Value #E"))
}
