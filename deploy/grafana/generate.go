// Command grafana writes the Grafana dashboards of lidded into the folder it is
// run in: lidded.json of benches and their results, lidded-fleet.json of a lab
// with many benches. Import the files into Grafana with a Prometheus data source
// that scrapes the daemons and, for the fleet, has the recording rules of
// deploy/prometheus.
//
//	go generate ./deploy/grafana
package main

//go:generate go run .

import (
	"encoding/json"
	"fmt"
	"os"

	"github.com/grafana/grafana-foundation-sdk/go/cog"
	"github.com/grafana/grafana-foundation-sdk/go/common"
	"github.com/grafana/grafana-foundation-sdk/go/dashboard"
	"github.com/grafana/grafana-foundation-sdk/go/prometheus"
	"github.com/grafana/grafana-foundation-sdk/go/stat"
	"github.com/grafana/grafana-foundation-sdk/go/table"
	"github.com/grafana/grafana-foundation-sdk/go/timeseries"
	"github.com/grafana/grafana-foundation-sdk/go/units"
)

// boards are the dashboards by file.
var boards = map[string]func() *dashboard.DashboardBuilder{"lidded.json": build, "lidded-fleet.json": buildFleet}

func main() {
	for file, board := range boards {
		data, err := generate(board())
		if err == nil {
			err = os.WriteFile(file, data, 0o644)
		}
		if err != nil {
			fmt.Fprintln(os.Stderr, "grafana:", err)
			os.Exit(1)
		}
	}
}

// generate is a dashboard as Grafana imports it.
func generate(b *dashboard.DashboardBuilder) ([]byte, error) {
	d, err := b.Build()
	if err != nil {
		return nil, err
	}
	data, err := json.MarshalIndent(d, "", "  ")
	return append(data, '\n'), err
}

const (
	high    = 8
	full    = 24
	half    = 12
	quarter = 6
)

// of narrows a query to what is chosen at the top.
const of = `{bench=~"$bench"}`
const ofSpecimen = `{bench=~"$bench", specimen=~"$specimen"}`

// board is an empty dashboard with what all have at their top.
func board(id, title, about string) *dashboard.DashboardBuilder {
	return dashboard.NewDashboardBuilder(title).
		Uid(id).
		Description(about).
		Tags([]string{"lidded", "rf", "shielding"}).
		Refresh("30s").
		Time("now-7d", "now").
		Timezone(common.TimeZoneBrowser).
		Readonly().
		WithVariable(dashboard.NewDatasourceVariableBuilder("source").Label("data source").Type("prometheus")).
		WithVariable(choice("bench", "label_values(lidded_run_state, bench)"))
}

func build() *dashboard.DashboardBuilder {
	return board("lidded", "lidded: shielding effectiveness", "Benches, runs and results of lidded. A lower bound is shown with its own name: it says at least, never equal.").
		WithVariable(choice("specimen", `label_values(lidded_worst_se_db{bench=~"$bench"}, specimen)`)).
		WithRow(dashboard.NewRowBuilder("Now")).
		WithPanel(state("Run", "State of the newest run of each bench.", `lidded_run_state`+of+` == 1`, "{{bench}}: {{state}}")).
		WithPanel(onOff("Source", "On, or not confirmed off.", `lidded_source_on`+of, "{{bench}}", "off", "ON", true)).
		WithPanel(onOff("Instruments", "Whether the link works and the expected instrument answers.", `lidded_instrument_up`+of, "{{bench}} {{role}}", "DOWN", "up", false)).
		WithPanel(onOff("Hold point", "Whether work waits for a person.", `lidded_hold_point_waiting`+of, "{{bench}}", "none", "WAITS", true)).
		WithPanel(lines("Progress", "Captures committed over captures planned.", units.PercentUnit, half).Min(0).Max(1).
			WithTarget(query(`lidded_run_progress_ratio`+of, "{{bench}}"))).
		WithPanel(lines("Time left", "By the plan's prediction, without waiting at hold points.", units.Seconds, half).Min(0).
			WithTarget(query(`lidded_run_left_seconds`+of, "{{bench}}"))).
		WithRow(dashboard.NewRowBuilder("Results")).
		WithPanel(verdicts()).
		WithPanel(lines("Lowest SE over the plan", "By specimen; a lower bound is named so.", units.Decibel, half).
			WithTarget(query(`lidded_worst_se_db`+ofSpecimen+` and lidded_worst_se_is_bound`+ofSpecimen+` == 0`, "{{specimen}} = ")).
			WithTarget(query(`lidded_worst_se_db`+ofSpecimen+` and lidded_worst_se_is_bound`+ofSpecimen+` == 1`, "{{specimen}} ≥ (lower bound)"))).
		WithPanel(lines("Lowest headroom to the requirement", "What is shown over what is required; below zero it is not shown.", units.Decibel, half).
			WithTarget(query(`lidded_worst_requirement_headroom_db`+ofSpecimen, "{{specimen}}"))).
		WithPanel(lines("Lowest dynamic range", "No more than this can be shown.", units.Decibel, half).
			WithTarget(query(`lidded_worst_dynamic_range_db`+ofSpecimen, "{{specimen}}"))).
		WithPanel(lines("Points by outcome", "Measured, at least, ambient, void, missing.", units.Short, half).Min(0).
			WithTarget(query(`sum by (specimen, outcome) (lidded_result_points`+ofSpecimen+`)`, "{{specimen}} {{outcome}}"))).
		WithPanel(frequencies()).
		WithPanel(lines("SE at the three lowest frequencies of each specimen, over time", "Values and lower bounds; the table tells them apart.", units.Decibel, full).
			WithTarget(query(`bottomk by (specimen) (3, lidded_se_db`+ofSpecimen+`)`, "{{specimen}} {{freq_hertz}} Hz"))).
		WithRow(dashboard.NewRowBuilder("Bench")).
		WithPanel(lines("Time keyed", "Share of the time that the source was on.", units.PercentUnit, half).Min(0).
			WithTarget(query(`rate(lidded_source_on_seconds_total`+of+`[$__rate_interval])`, "{{bench}}"))).
		WithPanel(lines("Runs ended", "In the time shown, by how they ended.", units.Short, half).Min(0).
			WithTarget(query(`sum by (bench, state) (increase(lidded_runs_total`+of+`[$__range]))`, "{{bench}} {{state}}"))).
		WithPanel(lines("Exchanges with instruments", "Per second, by how they ended.", units.OpsPerSecond, half).Min(0).
			WithTarget(query(`sum by (instrument, outcome) (rate(lidded_instrument_exchanges_total[$__rate_interval]))`, "{{instrument}} {{outcome}}"))).
		WithPanel(lines("Links set up afresh", "In the time shown.", units.Short, half).Min(0).
			WithTarget(query(`increase(lidded_instrument_reconnects_total[$__range])`, "{{instrument}}"))).
		WithPanel(lines("Time since a plan last completed", "By bench and plan.", units.Seconds, half).Min(0).
			WithTarget(query(`time() - lidded_last_success_timestamp_seconds`+of, "{{bench}} {{plan}}"))).
		WithPanel(lines("Store", "Disk space that the store takes.", units.BytesIEC, half).Min(0).
			WithTarget(query(`lidded_store_size_bytes`, "{{instance}}"))).
		WithPanel(lines("Disk left for the store", "A full disk ends runs.", units.BytesIEC, half).Min(0).
			WithTarget(query(`lidded_disk_free_bytes`, "{{instance}}"))).
		WithPanel(lines("Time to the next scheduled run", "By schedule.", units.Seconds, half).Min(0).
			WithTarget(query(`lidded_schedule_next_run_timestamp_seconds`+of+` - time()`, "{{schedule}}")))
}

// source is the data source chosen at the top.
func source() common.DataSourceRef {
	return common.DataSourceRef{Type: cog.ToPtr("prometheus"), Uid: cog.ToPtr("${source}")}
}

func choice(name, values string) *dashboard.QueryVariableBuilder {
	return dashboard.NewQueryVariableBuilder(name).
		Datasource(source()).
		Query(dashboard.StringOrMap{String: cog.ToPtr(values)}).
		Refresh(dashboard.VariableRefreshOnTimeRangeChanged).
		Sort(dashboard.VariableSortAlphabeticalAsc).
		Multi(true).IncludeAll(true).AllValue(".*")
}

func query(expr, legend string) *prometheus.DataqueryBuilder {
	return prometheus.NewDataqueryBuilder().Datasource(source()).Expr(expr).LegendFormat(legend).Range()
}

func now(expr, legend string) *prometheus.DataqueryBuilder {
	return prometheus.NewDataqueryBuilder().Datasource(source()).Expr(expr).LegendFormat(legend).Instant()
}

func lines(title, about, unit string, wide uint32) *timeseries.PanelBuilder {
	return timeseries.NewPanelBuilder().
		Title(title).Description(about).Datasource(source()).Unit(unit).
		Height(high).Span(wide).LineWidth(1.5).PointSize(4).
		Legend(common.NewVizLegendOptionsBuilder().DisplayMode(common.LegendDisplayModeList).Placement(common.LegendPlacementBottom).ShowLegend(true))
}

// state shows the name of a series rather than its value.
func state(title, about, expr, legend string) *stat.PanelBuilder {
	return stat.NewPanelBuilder().
		Title(title).Description(about).Datasource(source()).Height(4).Span(quarter).
		TextMode(common.BigValueTextModeName).
		WithTarget(now(expr, legend))
}

// onOff shows one of two words for 0 and 1; alarming says which of the two is.
func onOff(title, about, expr, legend, zero, one string, alarming bool) *stat.PanelBuilder {
	colors := map[bool]string{true: "red", false: "green"}
	word := func(text, color string) dashboard.ValueMappingResult {
		return dashboard.ValueMappingResult{Text: cog.ToPtr(text), Color: cog.ToPtr(color)}
	}
	return stat.NewPanelBuilder().
		Title(title).Description(about).Datasource(source()).Height(4).Span(quarter).
		TextMode(common.BigValueTextModeValueAndName).
		Mappings([]dashboard.ValueMapping{{ValueMap: &dashboard.ValueMap{Type: "value", Options: map[string]dashboard.ValueMappingResult{
			"0": word(zero, colors[!alarming]), "1": word(one, colors[alarming]),
		}}}}).
		WithTarget(now(expr, legend))
}

func verdicts() *table.PanelBuilder {
	return table.NewPanelBuilder().
		Title("Verdicts").Description("Each specimen against its requirement.").Datasource(source()).Height(high).Span(half).
		WithTarget(now(`lidded_requirement_verdict`+ofSpecimen+` == 1`, "").Format(prometheus.PromQueryFormatTable)).
		WithTransformation(columns(map[string]string{}, "bench", "plan", "specimen", "verdict"))
}

// frequencies lists SE point by point, with its relation in a column of its own.
func frequencies() *table.PanelBuilder {
	return table.NewPanelBuilder().
		Title("SE at each frequency").Description("relation: = a measured value, ≥ a lower bound.").Datasource(source()).Height(2 * high).Span(full).Unit(units.Decibel).
		WithTarget(now(`label_replace(lidded_se_db`+ofSpecimen+` and lidded_se_is_bound`+ofSpecimen+` == 0, "relation", "=", "", "")`+
			` or label_replace(lidded_se_db`+ofSpecimen+` and lidded_se_is_bound`+ofSpecimen+` == 1, "relation", "≥", "", "")`, "").Format(prometheus.PromQueryFormatTable)).
		WithTransformation(columns(map[string]string{"Value": "SE", "freq_hertz": "frequency, Hz"}, "bench", "plan", "specimen", "freq_hertz", "relation", "Value"))
}

// columns keeps these columns of a table, in this order, some under other names.
func columns(called map[string]string, names ...string) dashboard.DataTransformerConfig {
	keep, order := map[string]bool{}, map[string]int{}
	for i, n := range names {
		keep[n], order[n] = true, i
	}
	return dashboard.DataTransformerConfig{Id: "organize", Options: map[string]any{"includeByName": keep, "indexByName": order, "renameByName": called}}
}
