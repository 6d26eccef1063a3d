//! The gRPC door: one thin file per group of calls, all alike.
//!
//! Each call is authorised, read (everything that is wrong with it at once), done by a use case or
//! looked up in the store, and written as a message. Conversions are written by hand, so that a
//! change of the protocol is a change somebody looked at.

mod access;
mod adjustments;
mod alerts;
mod audit;
mod caller;
mod care;
mod changes;
mod credentials;
mod deliveries;
mod door;
mod evaluation;
mod exposures;
mod fields;
mod firings;
mod fleet;
mod furnaces;
mod gauges;
mod listing;
mod live;
mod mask;
mod operations;
mod page;
mod programmes;
mod readings;
mod request;
mod ring_batches;
mod schedules;
mod sign_offs;
mod sites;
pub mod stack;
pub mod status;
mod webhooks;

pub use door::Door;
#[doc(hidden)]
pub use page::PageToken;

use futures::FutureExt as _;
use ringtrue_proto::v1::access_service_server::AccessServiceServer;
use ringtrue_proto::v1::adjustment_service_server::AdjustmentServiceServer;
use ringtrue_proto::v1::alert_service_server::AlertServiceServer;
use ringtrue_proto::v1::audit_service_server::AuditServiceServer;
use ringtrue_proto::v1::care_service_server::CareServiceServer;
use ringtrue_proto::v1::change_service_server::ChangeServiceServer;
use ringtrue_proto::v1::delivery_service_server::DeliveryServiceServer;
use ringtrue_proto::v1::exposure_service_server::ExposureServiceServer;
use ringtrue_proto::v1::firing_service_server::FiringServiceServer;
use ringtrue_proto::v1::fleet_service_server::FleetServiceServer;
use ringtrue_proto::v1::furnace_service_server::FurnaceServiceServer;
use ringtrue_proto::v1::gauge_service_server::GaugeServiceServer;
use ringtrue_proto::v1::operations_service_server::OperationsServiceServer;
use ringtrue_proto::v1::programme_service_server::ProgrammeServiceServer;
use ringtrue_proto::v1::reading_service_server::ReadingServiceServer;
use ringtrue_proto::v1::ring_batch_service_server::RingBatchServiceServer;
use ringtrue_proto::v1::schedule_service_server::ScheduleServiceServer;
use ringtrue_proto::v1::sign_off_service_server::SignOffServiceServer;
use ringtrue_proto::v1::site_service_server::SiteServiceServer;
use ringtrue_proto::v1::webhook_service_server::WebhookServiceServer;
use tonic::service::Routes;
use tonic_health::ServingStatus;
use tonic_health::pb::health_server::HealthServer;
use tonic_health::server::{HealthReporter, HealthService};

use crate::app::App;
use crate::config::Settings;

/// Requests about ring batches may be this large whatever the settings say, bytes: a table file that is
/// too large is refused by its field and not by the transport, whose words would help nobody.
const BATCH_REQUEST: usize = 16 * 1024 * 1024;

/// Most bytes of a request of a service, by its full name, when the settings allow `message_bytes`.
pub(crate) fn most_bytes(service: &str, message_bytes: usize) -> usize {
    if service == "ringtrue.v1.RingBatchService" {
        message_bytes.max(BATCH_REQUEST)
    } else {
        message_bytes
    }
}

/// Whether a call, by its path, is open to everybody.
pub(crate) fn is_open(path: &str) -> bool {
    access::OPEN.contains(&path)
}

/// The services whose health is told, by their full names; the empty one stands for the server.
pub const SERVICES: [&str; 21] = [
    "",
    "ringtrue.v1.SiteService",
    "ringtrue.v1.FurnaceService",
    "ringtrue.v1.ProgrammeService",
    "ringtrue.v1.RingBatchService",
    "ringtrue.v1.GaugeService",
    "ringtrue.v1.ReadingService",
    "ringtrue.v1.AdjustmentService",
    "ringtrue.v1.FiringService",
    "ringtrue.v1.ExposureService",
    "ringtrue.v1.FleetService",
    "ringtrue.v1.ScheduleService",
    "ringtrue.v1.CareService",
    "ringtrue.v1.AlertService",
    "ringtrue.v1.ChangeService",
    "ringtrue.v1.WebhookService",
    "ringtrue.v1.OperationsService",
    "ringtrue.v1.DeliveryService",
    "ringtrue.v1.AccessService",
    "ringtrue.v1.AuditService",
    "ringtrue.v1.SignOffService",
];

/// Gives every service of the product, with health and reflection.
pub fn routes(app: App) -> Routes {
    let usual = Settings::default().limits.message_bytes;
    routes_with_health(app, &HealthReporter::new(), usual)
}

/// Gives every service of the product, with reflection and with the health that `reporter` tells;
/// all of it is told as serving until the holder of the reporter says otherwise. Requests of more than
/// `message_bytes` are refused unread.
pub fn routes_with_health(app: App, reporter: &HealthReporter, message_bytes: usize) -> Routes {
    // Nobody asks for health before there are routes, so this never waits.
    let _told: Option<()> = tell_health(reporter, ServingStatus::Serving).now_or_never();
    let health = HealthServer::new(HealthService::from_health_reporter(reporter.clone()));
    let reflection = || {
        tonic_reflection::server::Builder::configure()
            .register_encoded_file_descriptor_set(ringtrue_proto::DESCRIPTORS)
            .register_encoded_file_descriptor_set(tonic_health::pb::FILE_DESCRIPTOR_SET)
    };
    let reflection_v1 = reflection()
        .build_v1()
        .expect("the descriptors were compiled with this program");
    // Python's own library still asks for the version before.
    let reflection_v1alpha = reflection()
        .build_v1alpha()
        .expect("the descriptors were compiled with this program");
    let sites =
        SiteServiceServer::new(sites::Sites(app.clone())).max_decoding_message_size(message_bytes);
    let furnaces = FurnaceServiceServer::new(furnaces::Furnaces(app.clone()))
        .max_decoding_message_size(message_bytes);
    let programmes = ProgrammeServiceServer::new(programmes::Programmes(app.clone()))
        .max_decoding_message_size(message_bytes);
    let ring_batches = RingBatchServiceServer::new(ring_batches::RingBatches(app.clone()))
        .max_decoding_message_size(message_bytes.max(BATCH_REQUEST));
    let gauges = GaugeServiceServer::new(gauges::Gauges(app.clone()))
        .max_decoding_message_size(message_bytes);
    let readings = ReadingServiceServer::new(readings::Readings(app.clone()))
        .max_decoding_message_size(message_bytes);
    let adjustments = AdjustmentServiceServer::new(adjustments::Adjustments(app.clone()))
        .max_decoding_message_size(message_bytes);
    let firings = FiringServiceServer::new(firings::Firings(app.clone()))
        .max_decoding_message_size(message_bytes);
    let exposures = ExposureServiceServer::new(exposures::Exposures(app.clone()))
        .max_decoding_message_size(message_bytes);
    let fleet =
        FleetServiceServer::new(fleet::Fleet(app.clone())).max_decoding_message_size(message_bytes);
    let schedules = ScheduleServiceServer::new(schedules::Schedules(app.clone()))
        .max_decoding_message_size(message_bytes);
    let care =
        CareServiceServer::new(care::Care(app.clone())).max_decoding_message_size(message_bytes);
    let alerts = AlertServiceServer::new(alerts::Alerts(app.clone()))
        .max_decoding_message_size(message_bytes);
    let changes = ChangeServiceServer::new(changes::Changes(app.clone()))
        .max_decoding_message_size(message_bytes);
    let webhooks = WebhookServiceServer::new(webhooks::Webhooks(app.clone()))
        .max_decoding_message_size(message_bytes);
    let operations = OperationsServiceServer::new(operations::Operations(app.clone()))
        .max_decoding_message_size(message_bytes);
    let deliveries = DeliveryServiceServer::new(deliveries::Deliveries(app.clone()))
        .max_decoding_message_size(message_bytes);
    let access = AccessServiceServer::new(credentials::Credentials(app.clone()))
        .max_decoding_message_size(message_bytes);
    let audit =
        AuditServiceServer::new(audit::Audit(app.clone())).max_decoding_message_size(message_bytes);
    let sign_offs = SignOffServiceServer::new(sign_offs::SignOffs(app))
        .max_decoding_message_size(message_bytes);
    Routes::new(health)
        .add_service(reflection_v1)
        .add_service(reflection_v1alpha)
        .add_service(sites)
        .add_service(furnaces)
        .add_service(programmes)
        .add_service(ring_batches)
        .add_service(gauges)
        .add_service(readings)
        .add_service(adjustments)
        .add_service(firings)
        .add_service(exposures)
        .add_service(fleet)
        .add_service(schedules)
        .add_service(care)
        .add_service(alerts)
        .add_service(changes)
        .add_service(webhooks)
        .add_service(operations)
        .add_service(deliveries)
        .add_service(access)
        .add_service(audit)
        .add_service(sign_offs)
}

/// Tells the same health for the server and each of its services.
pub async fn tell_health(reporter: &HealthReporter, health: ServingStatus) {
    for name in SERVICES {
        reporter.set_service_status(name, health).await;
    }
}

#[cfg(test)]
mod tests;
