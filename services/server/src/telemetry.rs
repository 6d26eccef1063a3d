//! What the server tells about itself: log lines on the standard error stream, and traces and
//! metrics for a collector when one is named.
//!
//! Trace context travels as W3C Trace Context says. A collector that is absent costs data, never
//! the service.

use std::io::IsTerminal as _;
use std::time::Duration;

use anyhow::Context as _;
use opentelemetry::metrics::{Counter, Gauge, Histogram, Meter};
use opentelemetry::trace::TracerProvider as _;
use opentelemetry::{KeyValue, global};
use opentelemetry_otlp::{MetricExporter, SpanExporter, WithExportConfig as _};
use opentelemetry_sdk::Resource;
use opentelemetry_sdk::metrics::SdkMeterProvider;
use opentelemetry_sdk::propagation::TraceContextPropagator;
use opentelemetry_sdk::trace::{Sampler, SdkTracerProvider};
use tonic::Code;
use tracing::level_filters::LevelFilter;
use tracing::{Dispatch, Metadata};
use tracing_subscriber::filter::filter_fn;
use tracing_subscriber::layer::{Layer as _, SubscriberExt as _};
use tracing_subscriber::util::SubscriberInitExt as _;
use tracing_subscriber::{EnvFilter, Registry, fmt};

use crate::app::Served;
use crate::config::{LogFormat, Settings};

/// How long one attempt to send to the collector may take.
const SENDING: Duration = Duration::from_secs(5);

/// The name under which traces and metrics are recorded.
const SCOPE: &str = "ringtrue";

/// What has to be flushed at the end; nothing while no collector is named.
#[derive(Debug, Default)]
pub struct Telemetry {
    traces: Option<SdkTracerProvider>,
    metrics: Option<SdkMeterProvider>,
}

impl Telemetry {
    /// Starts logging for the whole process, and sending when a collector is named. Call it once,
    /// inside the runtime.
    ///
    /// Fails when logging was started before, or the filter or the endpoint cannot be read. An
    /// absent collector is no failure.
    pub fn start(settings: &Settings) -> anyhow::Result<Self> {
        let (dispatch, telemetry) = Self::prepared(settings)?;
        dispatch
            .try_init()
            .context("logging was started before in this process")?;
        global::set_text_map_propagator(TraceContextPropagator::new());
        if let Some(metrics) = &telemetry.metrics {
            global::set_meter_provider(metrics.clone());
        }
        // A panic goes into the log as one line like everything else, also when lines are JSON.
        std::panic::set_hook(Box::new(|panic| {
            let place = panic.location().map(ToString::to_string);
            let cause = crate::lifecycle::panic_text(panic.payload());
            tracing::error!(
                cause,
                place,
                "a panic: this is a fault of the server, report it"
            );
        }));
        Ok(telemetry)
    }

    fn prepared(settings: &Settings) -> anyhow::Result<(Dispatch, Self)> {
        let filter = EnvFilter::try_new(&settings.log.filter).context("log.filter")?;
        let lines = fmt::layer::<Registry>().with_writer(std::io::stderr);
        let lines = match settings.log.format {
            LogFormat::Text => lines
                .with_ansi(std::io::stderr().is_terminal())
                .with_filter(filter)
                .boxed(),
            LogFormat::Json => lines.json().flatten_event(true).with_filter(filter).boxed(),
        };
        let registry = Registry::default().with(lines);
        let Some(endpoint) = &settings.telemetry.otlp_endpoint else {
            return Ok((Dispatch::new(registry), Self::default()));
        };

        let resource = Resource::builder()
            .with_service_name(settings.telemetry.service_name.clone())
            .with_attribute(KeyValue::new("service.version", env!("CARGO_PKG_VERSION")))
            .build();
        let spans = SpanExporter::builder()
            .with_tonic()
            .with_endpoint(endpoint)
            .with_timeout(SENDING)
            .build()
            .context("telemetry.otlp_endpoint")?;
        let share = Sampler::TraceIdRatioBased(settings.telemetry.sample_ratio);
        let traces = SdkTracerProvider::builder()
            .with_batch_exporter(spans)
            .with_sampler(Sampler::ParentBased(Box::new(share)))
            .with_resource(resource.clone())
            .build();
        let measurements = MetricExporter::builder()
            .with_tonic()
            .with_endpoint(endpoint)
            .with_timeout(SENDING)
            .build()
            .context("telemetry.otlp_endpoint")?;
        let metrics = SdkMeterProvider::builder()
            .with_periodic_exporter(measurements)
            .with_resource(resource)
            .build();

        let sent = tracing_opentelemetry::layer()
            .with_tracer(traces.tracer(SCOPE))
            .with_filter(filter_fn(is_ours));
        let telemetry = Self {
            traces: Some(traces),
            metrics: Some(metrics),
        };
        Ok((Dispatch::new(registry.with(sent)), telemetry))
    }

    /// Sends what is left and ends sending; call it last, also after an error. Takes a few seconds
    /// at most when the collector is absent.
    pub async fn shutdown(self) {
        // The exporters block until they are done, and need the runtime to go on meanwhile.
        let ended = tokio::task::spawn_blocking(move || {
            if let Some(traces) = self.traces
                && let Err(cause) = traces.shutdown_with_timeout(SENDING)
            {
                tracing::warn!(%cause, "the last traces could not be sent");
            }
            if let Some(metrics) = self.metrics
                && let Err(cause) = metrics.shutdown_with_timeout(SENDING)
            {
                tracing::warn!(%cause, "the last metrics could not be sent");
            }
        });
        if ended.await.is_err() {
            tracing::warn!("the end of telemetry panicked");
        }
    }
}

/// Says whether a span or event is the product's own: the transport's spans would otherwise report
/// on the sending of reports.
fn is_ours(metadata: &Metadata<'_>) -> bool {
    metadata.target().starts_with("ringtrue") && *metadata.level() <= LevelFilter::INFO
}

/// The measurements of the server; does nothing while no collector is named.
#[derive(Clone, Debug)]
pub struct Meters {
    rpc_duration: Histogram<f64>,
    group_size: Histogram<u64>,
    transactions: Counter<u64>,
    work_duration: Histogram<f64>,
    mails: Counter<u64>,
    mail_backlog: Gauge<u64>,
}

impl Meters {
    /// Measures for the whole process. Call it after [`Telemetry::start`], which decides where
    /// measurements go.
    pub fn global() -> Self {
        Self::on(&global::meter(SCOPE))
    }

    fn on(meter: &Meter) -> Self {
        Self {
            rpc_duration: meter
                .f64_histogram("rpc.server.duration_ms")
                .with_description("How long a call took until its answer was ready.")
                .with_unit("ms")
                .with_boundaries(vec![
                    0.25, 0.5, 1.0, 2.5, 5.0, 10.0, 25.0, 50.0, 100.0, 250.0, 500.0, 1_000.0,
                    2_500.0, 5_000.0, 10_000.0, 30_000.0,
                ])
                .build(),
            group_size: meter
                .u64_histogram("store.group.size")
                .with_description("How many changes shared one durable transaction.")
                .with_unit("{change}")
                .with_boundaries(vec![
                    1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0, 128.0, 256.0, 512.0,
                ])
                .build(),
            transactions: meter
                .u64_counter("store.transactions")
                .with_description("Durable transactions, by what became of them.")
                .with_unit("{transaction}")
                .build(),
            work_duration: meter
                .f64_histogram("work.duration_ms")
                .with_description(
                    "How long a run of background work took, by its name and outcome.",
                )
                .with_unit("ms")
                .with_boundaries(vec![
                    1.0, 5.0, 25.0, 100.0, 500.0, 1_000.0, 5_000.0, 30_000.0, 120_000.0, 600_000.0,
                ])
                .build(),
            mails: meter
                .u64_counter("mail.count")
                .with_description("Mails, by what became of them.")
                .with_unit("{mail}")
                .build(),
            mail_backlog: meter
                .u64_gauge("mail.backlog")
                .with_description("Mails that may go and still wait.")
                .with_unit("{mail}")
                .build(),
        }
    }

    /// Records a run of background work.
    pub fn work(&self, name: &'static str, took: Duration, failed: bool) {
        let outcome = if failed { "failed" } else { "done" };
        let labels = [
            KeyValue::new("work.name", name),
            KeyValue::new("outcome", outcome),
        ];
        self.work_duration
            .record(took.as_secs_f64() * 1_000.0, &labels);
    }

    /// Records a call: `Service/Method`, its code, and how long it took.
    pub fn rpc(&self, method: &str, code: Code, took: Duration) {
        let took_ms = took.as_secs_f64() * 1_000.0;
        let labels = [
            KeyValue::new("rpc.method", method.to_owned()),
            KeyValue::new("rpc.code", code_name(code)),
        ];
        self.rpc_duration.record(took_ms, &labels);
    }

    /// Records a transaction that `changes` changes shared, and whether it is on disk.
    pub fn transaction(&self, changes: u64, committed: bool) {
        let outcome = if committed {
            "committed"
        } else {
            "rolled_back"
        };
        self.transactions
            .add(1, &[KeyValue::new("outcome", outcome)]);
        self.group_size.record(changes, &[]);
    }

    /// Records what became of mail in one run.
    pub fn mail(&self, served: &Served) {
        for (outcome, number) in [
            ("made", served.made),
            ("sent", served.sent),
            ("put_off", served.put_off),
            ("given_up", served.given_up),
            ("not_needed", served.not_needed),
        ] {
            if number > 0 {
                self.mails.add(number, &[KeyValue::new("outcome", outcome)]);
            }
        }
        self.mail_backlog.record(served.backlog, &[]);
    }
}

/// Gives the name of a code as the gRPC specification writes it.
pub fn code_name(code: Code) -> &'static str {
    match code {
        Code::Ok => "OK",
        Code::Cancelled => "CANCELLED",
        Code::Unknown => "UNKNOWN",
        Code::InvalidArgument => "INVALID_ARGUMENT",
        Code::DeadlineExceeded => "DEADLINE_EXCEEDED",
        Code::NotFound => "NOT_FOUND",
        Code::AlreadyExists => "ALREADY_EXISTS",
        Code::PermissionDenied => "PERMISSION_DENIED",
        Code::ResourceExhausted => "RESOURCE_EXHAUSTED",
        Code::FailedPrecondition => "FAILED_PRECONDITION",
        Code::Aborted => "ABORTED",
        Code::OutOfRange => "OUT_OF_RANGE",
        Code::Unimplemented => "UNIMPLEMENTED",
        Code::Internal => "INTERNAL",
        Code::Unavailable => "UNAVAILABLE",
        Code::DataLoss => "DATA_LOSS",
        Code::Unauthenticated => "UNAUTHENTICATED",
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;
    use std::sync::{Arc, Mutex};

    use opentelemetry::metrics::MeterProvider as _;
    use opentelemetry_sdk::error::OTelSdkResult;
    use opentelemetry_sdk::metrics::Temporality;
    use opentelemetry_sdk::metrics::data::{
        AggregatedMetrics, GaugeDataPoint, HistogramDataPoint, MetricData, ResourceMetrics,
        SumDataPoint,
    };
    use opentelemetry_sdk::metrics::exporter::PushMetricExporter;

    use super::*;

    /// Counts of recordings by metric, as a collector would see them.
    #[derive(Clone, Debug, Default)]
    struct Seen(Arc<Mutex<BTreeMap<String, u64>>>);

    impl PushMetricExporter for Seen {
        async fn export(&self, metrics: &ResourceMetrics) -> OTelSdkResult {
            let mut seen = self.0.lock().expect("not poisoned");
            for scope in metrics.scope_metrics() {
                for metric in scope.metrics() {
                    let count = match metric.data() {
                        AggregatedMetrics::F64(MetricData::Histogram(data)) => {
                            data.data_points().map(HistogramDataPoint::count).sum()
                        }
                        AggregatedMetrics::U64(MetricData::Histogram(data)) => {
                            data.data_points().map(HistogramDataPoint::count).sum()
                        }
                        AggregatedMetrics::U64(MetricData::Sum(data)) => {
                            data.data_points().map(SumDataPoint::value).sum()
                        }
                        AggregatedMetrics::U64(MetricData::Gauge(data)) => {
                            data.data_points().map(GaugeDataPoint::value).sum()
                        }
                        _ => 0,
                    };
                    seen.insert(metric.name().to_owned(), count);
                }
            }
            Ok(())
        }

        fn force_flush(&self) -> OTelSdkResult {
            Ok(())
        }

        fn shutdown_with_timeout(&self, _timeout: Duration) -> OTelSdkResult {
            Ok(())
        }

        fn temporality(&self) -> Temporality {
            Temporality::Cumulative
        }
    }

    #[test]
    fn calls_and_transactions_are_measured() {
        let seen = Seen::default();
        let provider = SdkMeterProvider::builder()
            .with_periodic_exporter(seen.clone())
            .build();
        let meters = Meters::on(&provider.meter(SCOPE));
        meters.rpc(
            "ReadingService/GetReading",
            Code::Ok,
            Duration::from_millis(3),
        );
        meters.rpc(
            "ReadingService/GetReading",
            Code::NotFound,
            Duration::from_millis(1),
        );
        meters.transaction(64, true);
        meters.transaction(1, true);
        meters.transaction(2, false);
        meters.mail(&Served {
            sent: 3,
            put_off: 2,
            backlog: 4,
            ..Served::default()
        });
        provider.force_flush().expect("flushed");
        let seen = seen.0.lock().expect("not poisoned").clone();
        let want = [
            ("rpc.server.duration_ms", 2),
            ("store.group.size", 3),
            ("store.transactions", 3),
            ("mail.count", 5),
            ("mail.backlog", 4),
        ];
        assert_eq!(
            seen,
            want.map(|(name, count)| (name.to_owned(), count)).into()
        );
    }

    #[tokio::test]
    async fn an_absent_collector_stops_neither_the_start_nor_the_end() {
        let mut settings = Settings::default();
        // Port 1 is reserved (tcpmux) and nothing listens there.
        settings.telemetry.otlp_endpoint = Some("http://127.0.0.1:1".to_owned());
        let (dispatch, telemetry) = Telemetry::prepared(&settings).expect("no collector is needed");
        tracing::dispatcher::with_default(&dispatch, || {
            tracing::info_span!(target: "ringtrue_test", "unsent").in_scope(|| {});
        });
        let bound = Duration::from_mins(1);
        tokio::time::timeout(bound, telemetry.shutdown())
            .await
            .expect("it ends");
    }

    #[test]
    fn without_a_collector_nothing_is_sent_in_either_format() {
        for format in [LogFormat::Text, LogFormat::Json] {
            let mut settings = Settings::default();
            settings.log.format = format;
            let (_, telemetry) = Telemetry::prepared(&settings).expect("good settings");
            assert!(telemetry.traces.is_none() && telemetry.metrics.is_none());
        }
    }

    #[test]
    fn a_filter_that_cannot_be_read_is_named() {
        let mut settings = Settings::default();
        settings.log.filter = "info,=,=".to_owned();
        let fault = Telemetry::prepared(&settings)
            .expect_err("no filter")
            .to_string();
        assert!(fault.contains("log.filter"), "{fault}");
    }
}
